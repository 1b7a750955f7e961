"""The rooms keep to themselves: DEVELOPERS.md's table of floors is the law, and this reads it.

Fails when a module stands on no floor, when a floor is empty, when an import goes against the order of the floors or in
a circle, and when a third-party library stands outside its fence.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from dataclasses import dataclass
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "toolkit" / "leaveby"
ROOM_ORDER = ("ground floor", "household", "fire", "roads", "decision", "show", "door")
MODEL_ROOMS = ("household", "fire", "roads")


@dataclass(frozen=True)
class Floor:
    name: str
    room: str
    position: int


def floors() -> dict[str, Floor]:
    """Every floor by name: a folder of the package, or a module that is a floor by itself."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("<!-- floors -->")[1].split("<!-- end of floors -->")[0]
    found: dict[str, Floor] = {}
    for position, line in enumerate(table.splitlines()):
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if len(cells) < 3 or not cells[0].startswith("`"):
            continue
        assert cells[1] in ROOM_ORDER, f"{cells[0]}: unknown room {cells[1]!r}"
        for name in re.findall(r"`([^`]+)`", cells[0]):
            assert name not in found, f"{name} stands twice in the table of floors"
            found[name] = Floor(name=name, room=cells[1], position=position)
    return found


def fences() -> dict[str, set[str]]:
    text = (PACKAGE / "about" / "dependencies.md").read_text(encoding="utf-8")
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


def floor_of(module: str) -> Floor | None:
    """The floor that a module stands on: itself, or the nearest folder above it that is one."""
    parts = module.split(".")
    names = [".".join(parts[:count]) for count in range(len(parts), 0, -1)]
    return next((FLOORS[name] for name in names if name in FLOORS), None)


FLOORS = floors()
FENCES = fences()
DISK = modules_on_disk()
TABLE = {name: floor for name in DISK if (floor := floor_of(name)) is not None}
LISTED = sorted(TABLE)


def ours(path: Path) -> set[str]:
    """Modules of ours that a module imports."""
    return {short for name in imports_of(path) if (short := name.removeprefix("leaveby.")) != name and short in DISK}


def test_every_module_stands_on_a_floor_and_no_floor_is_empty() -> None:
    assert set(TABLE) == set(DISK)
    assert {floor.name for floor in TABLE.values()} == set(FLOORS)


def test_the_rooms_stand_in_their_order() -> None:
    rooms = [ROOM_ORDER.index(floor.room) for floor in sorted(FLOORS.values(), key=lambda floor: floor.position)]
    assert rooms == sorted(rooms)


@pytest.mark.parametrize("name", LISTED)
def test_imports_follow_the_order_of_the_floors(name: str) -> None:
    floor = TABLE[name]
    for short in ours(DISK[name]):
        other = TABLE[short]
        assert other == floor or other.position < floor.position, f"{name} imports {short}, from a later floor"
        if floor.room in MODEL_ROOMS:
            assert other.room in (floor.room, "ground floor"), f"{name} ({floor.room}) looks into {short}"


def test_no_imports_go_in_a_circle() -> None:
    order = TopologicalSorter({name: ours(DISK[name]) - {name} for name in LISTED})
    assert list(order.static_order())


@pytest.mark.parametrize("name", LISTED)
def test_third_party_libraries_stay_inside_their_fences(name: str) -> None:
    for imported in imports_of(DISK[name]):
        top = imported.split(".")[0]
        if top == "leaveby" or top in sys.stdlib_module_names:
            continue
        assert top in FENCES, f"{name} imports {top}, which has no row in the fences"
        allowed = FENCES[top]
        room, above = TABLE[name].room, {name.rsplit(".", count)[0] for count in range(name.count(".") + 1)}
        assert room in allowed or above & allowed, f"{name} ({room}) imports {top}; its fence is {sorted(allowed)}"


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
        if not name.startswith("download."):
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


@pytest.mark.parametrize("name", ["plan.toml", "drill.toml"])
def test_checking_a_file_loads_no_map_no_statistics_and_no_street_graphs(name: str) -> None:
    """But for scipy.optimize, with what it brings along: the days of the ratings are found by its root finder."""
    file = ROOT / "data_demo" / name
    loaded = loaded_by(f"import leaveby.cli\nassert leaveby.cli.main(['check', {str(file)!r}]) == 0")
    assert "leaveby.ask.household" in loaded
    assert not loaded & {
        "scipy.stats",
        "matplotlib",
        "osmnx",
        "networkx",
        "pandas",
        "geopandas",
        "pyogrio",
        "xarray",
        "xclim",
        "leaveby.decision.household.answer",
        "leaveby.decision.drill.rounds",
    }


def test_an_answer_is_worked_out_before_anything_that_writes_is_loaded() -> None:
    """Members' fires and what draws maps then never need their room at the same time."""
    loaded = loaded_by(
        "from leaveby.ask.household import demo_folder, load_plan, plan_household\nfrom dataclasses import replace\n"
        "plan = load_plan(demo_folder() / 'plan.toml')\n"
        "rules = replace(plan.rules, hours=(12,), cell_m=1000.0)\n"
        "plan_household(replace(plan, members=4, danger=replace(plan.danger, scale='own'), rules=rules))"
    )
    assert "leaveby.decision.household.answer" in loaded
    assert not loaded & {"matplotlib", "pandas", "geopandas", "pyogrio", "icalendar", "leaveby.show.scene"}


@pytest.mark.parametrize("room", MODEL_ROOMS)
def test_a_room_loads_nothing_of_the_others(room: str) -> None:
    modules = [name for name in LISTED if TABLE[name].room == room]
    loaded = loaded_by("\n".join(f"import leaveby.{name}" for name in modules))
    others = {f"leaveby.{other}" for other in (*MODEL_ROOMS, "decision", "show", "files") if other != room}
    assert f"leaveby.{room}" in loaded
    assert not loaded & others


def test_the_fire_room_loads_no_layers_no_statistics_and_no_figures() -> None:
    modules = ("arrival.solve", "fuel.zones", "spread.validity", "terrain", "weather.table", "weather.forecast")
    loaded = loaded_by("\n".join(f"import leaveby.fire.{name}" for name in modules))
    assert "leaveby.fire.arrival.kernel" in loaded
    assert not loaded & {"scipy.stats", "scipy.spatial", "matplotlib", "pandas", "geopandas", "xarray", "rioxarray"}
