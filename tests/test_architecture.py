"""The rooms keep to themselves: DEVELOPERS.md's module table is the law, and this reads it.

Fails when a module is not in the table, when the table names one that is gone, when an import goes against the order
of the rooms, and when a third-party library stands outside its fence.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "toolkit" / "leaveby"
ROOM_ORDER = ("ground floor", "household", "fire", "roads", "decision", "show", "door")
MODEL_ROOMS = ("household", "fire", "roads")


@dataclass(frozen=True)
class Row:
    module: str
    room: str
    position: int


def module_table() -> dict[str, Row]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("<!-- module table -->")[1].split("<!-- end of module table -->")[0]
    rows: dict[str, Row] = {}
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if len(cells) < 3 or not cells[0].startswith("`"):
            continue
        name = cells[0].strip("`")
        assert name not in rows, f"{name} stands twice in the module table"
        assert cells[1] in ROOM_ORDER, f"{name}: unknown room {cells[1]!r}"
        rows[name] = Row(module=name, room=cells[1], position=len(rows))
    return rows


def fences() -> dict[str, set[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("<!-- fences -->")[1].split("<!-- end of fences -->")[0]
    found: dict[str, set[str]] = {}
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if len(cells) < 2 or not cells[0].startswith("`"):
            continue
        found[cells[0].strip("`")] = set(re.findall(r"`([^`]+)`", cells[1]))
    return found


def modules_on_disk() -> dict[str, Path]:
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        if path.name != "__init__.py":
            found[name] = path
    return found


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            found.add(node.module)
            if node.module == "leaveby" or node.module.startswith("leaveby."):
                found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


TABLE = module_table()
FENCES = fences()
DISK = modules_on_disk()
LISTED = sorted(set(DISK) & set(TABLE))


def test_every_module_is_in_the_table_and_the_other_way_round() -> None:
    assert set(TABLE) == set(DISK)


@pytest.mark.parametrize("name", LISTED)
def test_imports_follow_the_order_of_the_rooms(name: str) -> None:
    row = TABLE[name]
    for imported in imports_of(DISK[name]):
        short = imported.removeprefix("leaveby.")
        if imported == short or short not in TABLE:
            continue
        other = TABLE[short]
        assert other.position < row.position, f"{name} imports {short}, which stands later in the table"
        if row.room in MODEL_ROOMS:
            assert other.room in (row.room, "ground floor"), f"{name} ({row.room}) looks into {short} ({other.room})"


@pytest.mark.parametrize("name", LISTED)
def test_third_party_libraries_stay_inside_their_fences(name: str) -> None:
    for imported in imports_of(DISK[name]):
        top = imported.split(".")[0]
        if top == "leaveby" or top in sys.stdlib_module_names:
            continue
        assert top in FENCES, f"{name} imports {top}, which has no row in the fences"
        allowed = FENCES[top]
        room = TABLE[name].room
        assert room in allowed or name in allowed, f"{name} ({room}) imports {top}; its fence is {sorted(allowed)}"


@pytest.mark.parametrize("name", [name for name in LISTED if TABLE[name].room in (*MODEL_ROOMS, "decision")])
def test_model_rooms_are_pure(name: str) -> None:
    """No disk, clock, network, printing, and no hidden random numbers."""
    tree = ast.parse(DISK[name].read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in {"open", "print", "input"}, f"{name}: {called}()"
            assert not re.search(r"\.(now|utcnow|today|perf_counter|read_text|write_text|read_bytes)$", called), (
                f"{name}: {called}()"
            )
            assert not re.match(r"(np|numpy)\.random\.(?!Generator|default_rng)", called), f"{name}: {called}()"
    assert not imports_of(DISK[name]) & {"time", "socket", "urllib.request", "requests", "os", "random"}


@pytest.mark.parametrize("name", LISTED)
def test_modules_are_short_enough_to_read(name: str) -> None:
    assert len(DISK[name].read_text(encoding="utf-8").splitlines()) <= 700
    assert not {"utils", "helpers", "core", "common"} & set(name.split("."))


def test_only_download_reaches_for_the_network() -> None:
    """osmnx fetches when its graph_from_place and graph_from_point are called: only `download` may call them."""
    for name, path in DISK.items():
        text = path.read_text(encoding="utf-8")
        if name != "download":
            assert not re.search(r"graph_from_(place|point|bbox|address|polygon)|features_from_(?!xml)", text), name
            assert not imports_of(path) & {"socket", "urllib.request", "requests", "http.client"}, name


def test_top_level_holds_nothing_else() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "toolkit", "notebooks", "tests", "data_demo", "LICENSE"}
    tracked = (ROOT / ".gitignore").exists()
    assert tracked
    visible = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    leftovers = {name for name in visible - allowed if not name.startswith(("leaveby_out", "build", "dist"))}
    assert not leftovers


def loaded_by(statements: str) -> set[str]:
    """What a fresh interpreter has loaded after these statements; what they print goes to standard error."""
    code = (
        f"import sys\nout, sys.stdout = sys.stdout, sys.stderr\n{statements}\nprint(*sys.modules, sep='\\n', file=out)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_asking_for_help_loads_no_library() -> None:
    loaded = loaded_by("import leaveby.cli\ntry:\n    leaveby.cli.main(['--help'])\nexcept SystemExit:\n    print()")
    assert not loaded & {"numpy", "scipy", "numba", "pandas", "matplotlib", "osmnx", "rich", "shapely"}


def test_checking_a_plan_loads_no_map_no_statistics_and_no_street_graphs() -> None:
    plan = ROOT / "data_demo" / "plan.toml"
    loaded = loaded_by(f"import leaveby.cli\nassert leaveby.cli.main(['check', {str(plan)!r}]) == 0")
    assert "leaveby.ask" in loaded
    assert not loaded & {
        "scipy.stats",
        "matplotlib",
        "osmnx",
        "networkx",
        "xarray",
        "leaveby.decision.household_answer",
    }


@pytest.mark.parametrize("room", MODEL_ROOMS)
def test_a_room_loads_nothing_of_the_others(room: str) -> None:
    modules = [name for name in LISTED if TABLE[name].room == room]
    loaded = loaded_by("\n".join(f"import leaveby.{name}" for name in modules))
    others = {f"leaveby.{other}" for other in (*MODEL_ROOMS, "decision", "show", "files") if other != room}
    assert f"leaveby.{room}" in loaded
    assert not loaded & others
