"""The drill file: what is read, what stands when keys are left out, and every fault at once."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from leaveby.ask.check import check_inputs
from leaveby.ask.drill import check_drill, found_in, is_drill, read_drill, run_drill
from leaveby.ask.household import check_household, demo_folder
from leaveby.caution import OVERRIDE
from leaveby.errors import InputError

HEAD = """
[drill]
name = "Mill Lane"
plan = "plan.toml"
begin_at = "08:00"

[pauses]
at = ["08:00", "09:30"]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("drill") / "demo"
    shutil.copytree(demo_folder(), place)
    return place


def written(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_drill(written(folder, text))
    return [str(fault) for fault in caught.value.faults]


def without_fires(text: str) -> str:
    """The text of a plan, its tables of ignitions taken out."""
    return re.sub(r"(?ms)^\[\[ignitions\]\].*?(?=^\[|\Z)", "", text)


def test_a_plan_without_a_fire_makes_no_drill_and_the_mend_is_said(folder: Path) -> None:
    bare = folder / "bare.toml"
    bare.write_text(without_fires((folder / "plan.toml").read_text(encoding="utf-8")), encoding="utf-8")
    (said,) = faults(folder, HEAD.replace("plan.toml", "bare.toml"))
    assert said == (
        f"{folder / 'own.toml'}: [drill] plan: names bare.toml, which has no fire of its own. Expected a plan "
        "with a fire for the drill. To mend it: add [[ignitions]] to that plan, or name another plan."
    )
    # The plan itself can be used, and `check` says how the roads lead out.
    said = check_inputs(check_household(bare)).roads.values()
    assert all("a route leads to" in words or "no route" in words for words in said)


def test_the_demo_drill_is_read_in_si() -> None:
    path = demo_folder() / "drill.toml"
    drill = read_drill(path)
    # 1 km/h = 1000 m / 3600 s; 08:00 is 80 minutes before the plan's fire at 09:20.
    assert drill.speeds_m_s == pytest.approx((5.0 / 3.6, 12.0 / 3.6, 50.0 / 3.6))
    assert drill.begin_s == -80.0 * 60.0
    assert drill.pauses_s[:3] == (-4800.0, -1200.0, 300.0)
    assert {one.way for one in drill.answers} == {"tow", "car", "stay"}
    assert drill.answers[0].start_s == -70.0 * 60.0
    assert drill.injects[0].at_s == -60.0 * 60.0
    assert {one.kind for one in drill.injects} >= {"phone", "power", "official"}
    text = path.read_text(encoding="utf-8")
    first = " ".join(line.lstrip("# ") for line in text.splitlines()[:2])
    # Common practice, no source: whatever belongs to an exercise says so first.
    assert first.startswith("Exercise only.")
    assert OVERRIDE.split(" anything")[0] in first


def test_what_may_be_left_out(folder: Path) -> None:
    drill = read_drill(written(folder, HEAD))
    assert drill.speeds_m_s == pytest.approx((5.0 / 3.6, 12.0 / 3.6, 50.0 / 3.6))
    assert (drill.own_fire, drill.members, drill.injects, drill.answers) == (False, 100, (), ())
    assert drill.plan.where == str((folder / "plan.toml").resolve())


def test_a_pause_every_so_many_minutes(folder: Path) -> None:
    drill = read_drill(written(folder, HEAD.replace('at = ["08:00", "09:30"]', "every_min = 20")))
    assert (drill.pauses_s, drill.every_s) == ((), 1200.0)


@pytest.mark.parametrize("clock", ['"08:30"', "08:30:00", "2026-01-17T08:30:00+11:00", '"2026-01-17T08:30:00+11:00"'])
def test_clock_times_may_be_written_in_several_ways(folder: Path, clock: str) -> None:
    drill = read_drill(
        written(folder, HEAD.replace('begin_at = "08:00"', f"begin_at = {clock}").replace('"08:00", ', ""))
    )
    assert drill.begin_s == -50.0 * 60.0


def test_every_fault_is_said_at_once_with_its_line(folder: Path) -> None:
    said = faults(
        folder,
        """
[drill]
name = ""
plan = "plan.toml"
begin_at = "8 o'clock"
speeds_km_h = [5, 0, 400]
members = "many"
memberz = 4

[pauses]
at = ["08:00"]
every_min = 2

[[injects]]
at = "09:00"
after_fire_min = 4
kind = "rumour"
text = "=1+1"

[[answers]]
group = "A"
pause = 1
way = "boat"

[prizes]
first = 1
""",
    )
    text = "\n".join(said)
    for words in (
        "line 3: [drill] name",
        "line 5: [drill] begin_at",
        "line 6: [drill] speeds_km_h",
        "line 7: [drill] members",
        "[drill] memberz: is not a key of this section. Expected one of name",
        'write "members" if that was meant',
        "[pauses] every_min: is 2",
        'injects[1] "=1+1": has both after_fire_min and at',
        'injects[1] "=1+1": kind: is "rumour"',
        'answers[1] "A": way: is "boat"',
        "[prizes]: is not a section of a drill file",
    ):
        assert words in text, words
    assert all("Expected" in one and "To mend it" in one for one in said)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('plan = "plan.toml"', 'plan = "none.toml"', "there is no file"),
        ('plan = "plan.toml"', "", "[drill] plan: is missing"),
        ('begin_at = "08:00"', 'begin_at = "10:00"', "after the plan's first fire"),
        (
            'begin_at = "08:00"',
            'begin_at = "08:00"\nbegin_before_fire_min = 80',
            "has both begin_before_fire_min and begin_at",
        ),
        ('begin_at = "08:00"', "begin_before_fire_min = -1", "0 to 1440"),
        ('begin_at = "08:00"', "begin_at = 2026-01-17T08:00:00", "UTC offset"),
        ('begin_at = "08:00"', "begin_at = 2026-01-17", "clock time"),
        ('at = ["08:00", "09:30"]', 'at = ["09:30", "08:00"]', "does not rise"),
        ('at = ["08:00", "09:30"]', 'at = ["07:00", "09:30"]', "before the exercise begins"),
        ('at = ["08:00", "09:30"]', "at = []", "fill it in"),
        ('at = ["08:00", "09:30"]', 'at = ["08:00"]\nevery_min = 10', "has both at and every_min"),
        ('at = ["08:00", "09:30"]', 'at = ["08:00"]\nafter_fire_min = [10]', "has both after_fire_min and at"),
        ('at = ["08:00", "09:30"]', "after_fire_min = [10, 5]", "does not rise"),
        ('at = ["08:00", "09:30"]', "after_fire_min = [-81]", "before the exercise begins"),
        ('at = ["08:00", "09:30"]', 'after_fire_min = ["08:00"]', "minutes after the plan's first fire"),
        ("[pauses]", "[pausen]", "is not a section of a drill file"),
        ("[pauses]", "speeds_km_h = [5, 5]\n[pauses]", "a speed twice"),
        ("[pauses]", "speeds_km_h = []\n[pauses]", "own_fire = true"),
        ("[pauses]", "own_fire = 1\n[pauses]", "true or false"),
    ],
)
def test_faults_of_the_drill_itself(folder: Path, old: str, new: str, words: str) -> None:
    assert any(words in one for one in faults(folder, HEAD.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('[[answers]]\ngroup = "A"\npause = 3\nway = "stay"\n', "there are 2 pauses"),
        ('[[answers]]\ngroup = "A"\npause = 2\nway = "car"\n', "start_after_fire_min: is missing"),
        ('[[answers]]\ngroup = "A"\npause = 2\nway = "car"\nstart_at = "09:00"\n', "before the pause"),
        ('[[answers]]\ngroup = "A"\npause = 1\nway = "car"\nstart_at = "09:00"\nspeed_km_h = 7\n', "no round"),
        ('[[answers]]\ngroup = "A"\npause = 1\nway = "stay"\n' * 2, "second answer of this group"),
        ('[[injects]]\nkind = "seen"\ntext = "x"\n', "has no time"),
        ('[[injects]]\nat = "09:00"\nkind = "seen"\ntext = "x"\nspeeds_km_h = [6]\n', "6 km/h, which is no round"),
        ("injects = 3\n", "not a list of tables"),
    ],
)
def test_faults_of_injects_and_answers(folder: Path, table: str, words: str) -> None:
    text = f"{table}\n{HEAD}" if table.startswith("injects =") else f"{HEAD}\n{table}"
    assert any(words in one for one in faults(folder, text))


def test_a_later_pause_than_the_plan_looks_is_refused(folder: Path) -> None:
    text = HEAD.replace('at = ["08:00", "09:30"]', "every_min = 60")
    said = faults(folder, f'{text}\n[[answers]]\ngroup = "A"\npause = 30\nway = "stay"\n')
    assert any("10 hours of the plan" in one for one in said)


def test_faults_of_the_plan_come_with_those_of_the_drill(folder: Path) -> None:
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    (folder / "bad_plan.toml").write_text(plan.replace("confidence = 0.95", "confidence = 95"), encoding="utf-8")
    said = faults(folder, HEAD.replace("plan.toml", "bad_plan.toml").replace('name = "Mill Lane"', "name = 3"))
    assert len(said) == 2
    assert "own.toml" in said[0]
    assert "bad_plan.toml" in said[1]
    assert "confidence" in said[1]


def test_a_folder_and_what_is_no_toml_are_refused(folder: Path) -> None:
    with pytest.raises(InputError, match=r"is a folder. Expected a drill file"):
        run_drill(folder)
    assert any("can't be read as TOML" in one for one in faults(folder, "[drill\n"))
    assert any("[drill]: is missing" in one for one in faults(folder, ""))


# --- minutes after the fire starts -----------------------------------------------------------------------------------

BARE = """
[drill]
name = "Mill Lane"
plan = "plan.toml"
"""


def moved(folder: Path, starts_at: str) -> Path:
    """The demo's plan with its fire at another hour of the day."""
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    later = text.replace("T09:20:00+11:00", f"T{starts_at}:00+11:00")
    assert later != text
    path = folder / "moved.toml"
    path.write_text(later, encoding="utf-8")
    return path


@pytest.mark.parametrize("starts_at", ["09:20", "13:05", "16:30"])
def test_a_drill_goes_with_a_plan_whose_fire_starts_at_another_hour(folder: Path, starts_at: str) -> None:
    """Pencil and paper: 80 minutes before 16:30 is 15:10; nothing of it stands at 8 o'clock."""
    if starts_at != "09:20":
        moved(folder, starts_at)
    text = (demo_folder() / "drill.toml").read_text(encoding="utf-8")
    text = text if starts_at == "09:20" else text.replace('"plan.toml"', '"moved.toml"')
    there, here = read_drill(written(folder, text)), read_drill(demo_folder() / "drill.toml")
    assert f"{there.plan.starts_at:%H:%M}" == starts_at
    assert (there.begin_s, there.pauses_s) == (here.begin_s, here.pauses_s)
    assert [one.at_s for one in there.injects] == [one.at_s for one in here.injects]
    assert [one.start_s for one in there.answers] == [one.start_s for one in here.answers]


def test_pauses_are_minutes_after_the_fire_when_nothing_is_said(folder: Path) -> None:
    drill = read_drill(written(folder, BARE))
    assert drill.begin_s == -80.0 * 60.0
    assert [at_s / 60.0 for at_s in drill.pauses_s] == [-80.0, -20.0, 5.0, 20.0, 40.0, 70.0, 100.0]
    late = read_drill(written(folder, f"{BARE}begin_before_fire_min = 10\n"))
    assert [at_s / 60.0 for at_s in late.pauses_s] == [5.0, 20.0, 40.0, 70.0, 100.0]


@pytest.mark.parametrize(
    ("pauses", "key", "warned"),
    [
        ('at = ["08:00", "09:20"]', "at", True),
        ('at = ["08:00", "09:21"]', "at", False),
        ("after_fire_min = [-60, 0]", "after_fire_min", True),
        ("after_fire_min = [-60, 1]", "after_fire_min", False),
        ("every_min = 20", "every_min", False),
    ],
)
def test_a_drill_without_a_pause_after_the_fire_warns(folder: Path, pauses: str, key: str, warned: bool) -> None:
    script = read_drill(written(folder, f"{BARE}[pauses]\n{pauses}\n"))
    said = (
        f"own.toml: [pauses] {key}: holds no time after the fire starts (09:20). Expected at least one pause at which "
        "the groups know of the fire. To mend it: give some as minutes after the fire starts, for example "
        "after_fire_min = [-20, 5, 20, 40]."
    )
    assert (said in found_in(script)) == warned


# --- check -----------------------------------------------------------------------------------------------------------


def test_a_drill_is_told_from_a_plan(folder: Path) -> None:
    assert is_drill(demo_folder() / "drill.toml")
    assert not is_drill(demo_folder() / "plan.toml")
    assert is_drill(written(folder, "[[injects]]\n"))
    for text in ("", "[drill", "name = 3\n"):
        assert not is_drill(written(folder, text))
    assert not is_drill(folder / "nothing.toml")


def test_check_says_the_faults_of_drill_plan_and_files_at_once(folder: Path) -> None:
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    broken = re.sub(r"(?m)^(legend = ).*$", r'\1"no_such_legend.csv"', plan, count=1)
    assert broken != plan
    (folder / "broken.toml").write_text(broken, encoding="utf-8")
    path = written(folder, BARE.replace("plan.toml", "broken.toml").replace('"Mill Lane"', "3"))
    with pytest.raises(InputError) as caught:
        check_drill(path)
    said = [str(fault) for fault in caught.value.faults]
    assert any("[drill] name: is 3" in one for one in said)
    assert any("no_such_legend.csv" in one for one in said)


def test_check_says_when_the_exercise_begins_before_the_weather(folder: Path) -> None:
    with pytest.raises(InputError, match="minutes before the plan's weather begins"):
        check_drill(written(folder, f"{BARE}begin_before_fire_min = 1400\n"))
