"""What holds for all tests: no property is judged by the clock of the machine that it happens to run on.

And the demo's household made small, for tests that look at what is done with an answer and not at its numbers.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

from leaveby.ask.household import demo_folder, notebooks_folder

settings.register_profile("any machine", parent=settings.default, deadline=None)
settings.load_profile("any machine")


@pytest.fixture(scope="session")
def small_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's household with few members and large cells, so that an answer is there soon."""
    folder = tmp_path_factory.mktemp("household") / "demo"
    shutil.copytree(demo_folder(), folder)
    for name in ("plan.toml", "drill.toml"):
        text, changed = re.subn(r"(?m)^members = \d+", "members = 24", (folder / name).read_text(encoding="utf-8"))
        assert changed == 1, name
        (folder / name).write_text(text, encoding="utf-8")
    plan = folder / "plan.toml"
    text, changed = re.subn(r'(?m)^(file = "terrain\.tif")$', r"\1\ncell_m = 96", plan.read_text(encoding="utf-8"))
    assert changed == 1
    text, changed = re.subn(r"(?m)^cell_m = 250\b", "cell_m = 1000", text)
    assert changed == 1
    plan.write_text(text, encoding="utf-8")
    return plan


@pytest.fixture(scope="session")
def small_notebooks(small_plan: Path) -> Callable[[Path], None]:
    """Copies the notebooks into a folder; their first cells are changed as a person would: own files, small numbers."""

    def copied(folder: Path) -> None:
        folder.mkdir()
        for path in notebooks_folder().glob("*.ipynb"):
            notebook = json.loads(path.read_text(encoding="utf-8"))
            for cell in notebook["cells"]:
                if "parameters" in cell["metadata"].get("tags", ()):
                    source = "".join(cell["source"]).replace("demo_folder() /", f"Path({str(small_plan.parent)!r}) /")
                    source = re.sub(r"(?m)^(MEMBERS|TRUTHS) = \d+", r"\1 = 24", source)
                    cell["source"] = f"from pathlib import Path\n\n{source}"
            (folder / path.name).write_text(json.dumps(notebook), encoding="utf-8")

    return copied
