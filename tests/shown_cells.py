"""Where notebooks are run, and what the outputs of each have to be."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from leaveby.caution import OVERRIDE


def own_jupyter(folder: Path) -> dict[str, str]:
    """The environment in which Jupyter keeps to a folder, and what a person has set up for themselves is not seen."""
    kinds = {f"JUPYTER_{kind}_DIR": str(folder / f"jupyter_{kind.lower()}") for kind in ("CONFIG", "DATA", "RUNTIME")}
    return {"JUPYTER_PLATFORM_DIRS": "1", "IPYTHONDIR": str(folder / "ipython"), **kinds}


def assert_outputs(name: str, cells: Sequence[Mapping[str, Any]]) -> None:
    """Nothing went wrong, official warnings override it, and in the first notebook the answer shows itself."""
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    shown = [output for cell in code for output in cell["outputs"]]
    assert not [output for output in shown if output["output_type"] == "error"]
    assert not [output for output in shown if output.get("name") == "stderr"]
    assert OVERRIDE in html.unescape(str(shown))
    # Of going on foot nothing is said to those whose plan has no place to walk to.
    assert not re.search("not replayed", str(shown))
    if name.startswith("01"):
        # The answer shows itself: what must be said first, the main sentence, the times.
        (own,) = (cell for cell in code if "".join(cell["source"]).endswith("\nresult = answered(PLAN)"))
        (output,) = own["outputs"]  # the first answer's place is taken by the one from all fires
        told = html.unescape("".join(output["data"]["text/html"]))
        assert "refined" not in told
        assert OVERRIDE in told
        assert "Towing the house" in told
        assert "by car" in told.lower()
