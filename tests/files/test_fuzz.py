"""A share of `tests/fuzz.py` that is always the same, and another server that must stay silent meanwhile."""

from __future__ import annotations

from pathlib import Path

import pytest

import fuzz

CASES = 12
FOUND = Path(__file__).resolve().parents[1] / "data" / "found"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("sound")
    fuzz.sound_files(made)
    return made


@pytest.mark.parametrize("group", fuzz.GROUPS)
def test_damaged_files_are_read_or_refused(group: str, folder: Path) -> None:
    wrong = []
    for number in range(CASES):
        path = fuzz.case(folder, group, 20, number)
        how, told = fuzz.outcome(group, path)
        if how == "wrong":
            wrong.append(f"{group} {number}: {told}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("found", sorted(FOUND.iterdir()), ids=lambda path: path.name)
def test_cases_that_were_found(found: Path, folder: Path) -> None:
    """Named after their group; each once ended in a traceback."""
    group = found.name.partition("-")[0]
    path = folder / f"case{found.suffix}"
    path.write_bytes(found.read_bytes())
    how, told = fuzz.outcome(group, path)
    assert how != "wrong", told


def test_a_case_can_be_made_again(folder: Path) -> None:
    for group in fuzz.GROUPS:
        path = fuzz.case(folder, group, 3, 4)
        held = path.read_bytes()
        assert fuzz.case(folder, group, 3, 4) == path
        assert path.read_bytes() == held


def test_what_is_wrong_is_seen(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: Path) -> object:
        raise KeyError("a fault of ours")

    monkeypatch.setitem(fuzz.GROUPS, "plan", fuzz.Group(("demo/plan.toml",), broken))
    assert fuzz.outcome("plan", folder / "demo" / "plan.toml")[0] == "wrong"
