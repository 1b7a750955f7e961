"""A plan file changed here and there: all that nobody asked to change stays, letter by letter.

What a text says is read by the standard library's own reader of TOML (tomllib), which is not what changed it, and the
demo's plan also by the project's reader.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections import Counter
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leaveby.ask.household import demo_folder, load_plan
from leaveby.errors import InputError
from leaveby.files.write.plan_edit import add_item, move_item, plain, set_value, strike_item

DEMO = (demo_folder() / "plan.toml").read_text(encoding="utf-8")
KINDS = ("people", "tasks", "safe_points", "ignitions")

CLOCKS = (UTC, timezone(timedelta(hours=10.5)))


def in_seconds(moment: datetime) -> datetime:
    return moment.replace(microsecond=0)


words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=12)
numbers = st.one_of(st.integers(-(2**40), 2**40), st.floats(allow_nan=False, allow_infinity=False), st.booleans())
values = st.one_of(
    words,
    numbers,
    st.datetimes(datetime(2000, 1, 1), datetime(2050, 1, 1), timezones=st.sampled_from(CLOCKS)).map(in_seconds),
    st.lists(words, max_size=4),
    st.lists(st.lists(st.floats(-180, 180), min_size=2, max_size=2), max_size=3),
    st.fixed_dictionaries({"shortest_min": st.integers(0, 60), "likely_min": st.floats(0, 90)}),
)
keys = st.sampled_from(("name", "alpha", "beta", "gamma", "delta", "likely_min"))


def toml_of(value: Any) -> str:
    """A value as a person would write it, by hand and not by the library that is tested."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return (
            '"'
            + "".join(
                f"\\U{ord(letter):08X}" if ord(letter) < 32 or letter in '"\\\x7f' else letter for letter in value
            )
            + '"'
        )
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_of, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_of(one)}" for key, one in value.items()) + " }"
    return value.isoformat() if hasattr(value, "isoformat") else repr(value)


@st.composite
def files(draw: st.DrawFn) -> str:
    """Files as people write them: comments and blank lines between all things, behind values, at either end."""
    count = iter(range(1, 10_000))

    def gap() -> str:
        parts = draw(st.lists(st.sampled_from(("", "#")), max_size=3))
        return "".join(f"# remark {next(count)}\n" if part else "\n" for part in parts)

    def body() -> str:
        said = ""
        for key in draw(st.lists(keys, max_size=4, unique=True)):
            value = draw(values)
            behind = f"   # remark {next(count)}" if draw(st.booleans()) else ""
            if isinstance(value, list) and value and draw(st.booleans()):
                rows = "".join(f"    {toml_of(one)},   # remark {next(count)}\n" for one in value)
                said += f"{key} = [\n{rows}]{behind}\n{gap()}"
            else:
                said += f"{key}{draw(st.sampled_from(('=', ' = ', '   = ')))}{toml_of(value)}{behind}\n{gap()}"
        return said

    text = gap() + ("title = 1\n" + gap() if draw(st.booleans()) else "")
    for name in draw(st.permutations(("plan", *KINDS[:2], "roads", *KINDS[2:]))):
        if name in KINDS:
            for _ in range(draw(st.integers(0, 3))):
                text += f"[[{name}]]{draw(st.sampled_from(('', '   # kept')))}\n{body()}"
        else:
            text += f"[{name}]\n{body()}"
    return text.removesuffix("\n") if draw(st.booleans()) else text


@st.composite
def changes(draw: st.DrawFn, held: dict[str, Any]) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
    """A change that a file can take, what it is called with, and what the file has to say afterwards."""
    wanted = copy.deepcopy(held)
    kinds = [name for name in KINDS if held.get(name)]
    what = draw(st.sampled_from(("set", "strike a key", "add", *(("strike", "move") if kinds else ()))))
    if what == "add":
        name, item = draw(st.sampled_from(KINDS)), draw(st.dictionaries(keys, values, max_size=3))
        wanted.setdefault(name, []).append(item)
        return what, (name, item), wanted
    if what in ("strike", "move"):
        name = draw(st.sampled_from(kinds))
        number = draw(st.integers(0, len(held[name]) - 1))
        one = wanted[name].pop(number)
        if what == "strike":
            if not wanted[name]:
                del wanted[name]
            return what, (name, number), wanted
        to = draw(st.integers(0, len(held[name]) - 1))
        wanted[name].insert(to, one)
        return what, (name, number, to), wanted
    name = draw(st.sampled_from(("plan", "roads", "house", *kinds)))
    place: tuple[Any, ...] = (name,)
    table = wanted.setdefault(name, {}) if name not in KINDS else wanted[name]
    if isinstance(table, list):
        place = (name, draw(st.integers(0, len(table) - 1)))
        table = table[place[1]]
    key = draw(keys)
    value = draw(values) if what == "set" else None
    if value is None:
        table.pop(key, None)
        if name not in held:
            del wanted["house"]
    else:
        table[key] = value
    return what, ((*place, key), value), wanted


CALLED = {"set": set_value, "strike a key": set_value, "add": add_item, "strike": strike_item, "move": move_item}


def remarks(text: str) -> list[str]:
    return re.findall(r"# remark \d+", text)


def lines_of(text: str) -> list[str]:
    return [line for line in text.split("\n") if line.strip()]


@given(data=st.data(), text=files())
@settings(max_examples=150)
def test_random_changes_say_what_was_asked_and_leave_the_rest(data: st.DataObject, text: str) -> None:
    for _ in range(data.draw(st.integers(1, 4))):
        held = tomllib.loads(text)
        what, asked, wanted = data.draw(changes(held))
        made = CALLED[what](text, *asked)
        assert tomllib.loads(made) == wanted
        assert plain(made) == wanted
        gone = [one for one in lines_of(text) if one not in lines_of(made)]
        new = [one for one in lines_of(made) if one not in lines_of(text)]
        if what == "add":
            assert gone == []
            assert len(lines_of(made)) == len(lines_of(text)) + 1 + len(asked[1])
        elif what == "move":
            assert (gone, new) == ([], [])
            assert sorted(lines_of(made)) == sorted(lines_of(text))
        elif what == "strike":
            assert new == []
            # remarks within the table went with it, all others stay in their order
            left = remarks(made)
            assert left == [one for one in remarks(text) if one in left]
            assert set(remarks(text)) - set(left) <= set(remarks(own_lines(text, *asked)))
        else:
            # one key: its own lines are others, and nothing else
            *place, key = asked[0]
            own = lines_of_key(text, place, key)
            assert [one for one in gone if one not in own] == []
            # Lines that read like the key's own may stand elsewhere too: all others are there, in their order.
            rest = iter(lines_of(made))
            assert all(any(one == other for other in rest) for one in lines_of(text) if one not in own)
            alike = Counter(lines_of(text)) - Counter(own)
            assert not {one: count for one, count in alike.items() if lines_of(made).count(one) < count}
            assert all(re.match(rf"{key}\s*=|\[house\]", one) or one.startswith((" ", "]")) for one in new)
            if what == "set" and len(own) == 1:
                assert remarks(made) == remarks(text)
        text = made


def lines_of_key(text: str, place: list[Any], key: str) -> list[str]:
    """The lines of one key of one table, of its list as well; none where it is not there."""
    lines = text.split("\n")
    header = f"[[{place[0]}]]" if len(place) == 2 else f"[{place[0]}]"
    heads = [at for at, line in enumerate(lines) if line.startswith(header)]
    if not heads:
        return []
    for at in range(heads[place[1] if len(place) == 2 else 0] + 1, len(lines)):
        if lines[at].startswith("["):
            return []
        if re.match(rf"{key}\s*=", lines[at]):
            end = at + 1
            if lines[at].endswith("["):
                end = next(one for one in range(at, len(lines)) if lines[one].startswith("]")) + 1
            return lines[at:end]
    return []


def own_lines(text: str, name: str, number: int) -> str:
    """From a table's header to the last of its keys."""
    lines = text.split("\n")
    heads = [at for at, line in enumerate(lines) if line.startswith(f"[[{name}]]")]
    at = heads[number]
    end = next((one for one in range(at + 1, len(lines)) if lines[one].startswith("[")), len(lines))
    while end > at + 1 and (not lines[end - 1] or lines[end - 1].startswith("#")):
        end -= 1
    return "\n".join(lines[at:end])


@given(data=st.data(), text=files())
@settings(max_examples=80)
def test_what_is_taken_back_stands_as_before_byte_for_byte(data: st.DataObject, text: str) -> None:
    text = text if text.endswith("\n") or not text else f"{text}\n"
    held = tomllib.loads(text)
    for name in KINDS:
        count = len(held.get(name, ()))
        if count:
            assert strike_item(add_item(text, name, {"name": "new"}), name, count) == text
            number, to = data.draw(st.integers(0, count - 1)), data.draw(st.integers(0, count - 1))
            assert move_item(move_item(text, name, number, to), name, to, number) == text
            if "zeta" not in held[name][number]:
                assert set_value(set_value(text, (name, number, "zeta"), 1), (name, number, "zeta"), None) == text
    assert set_value(set_value(text, ("plan", "zeta"), ["x"]), ("plan", "zeta"), None) == text


@given(
    names=st.lists(st.integers(0, 19), min_size=1, max_size=6), likely=st.integers(3, 6), lon=st.floats(148.93, 148.95)
)
@settings(max_examples=25)
def test_the_demo_s_plan_is_read_as_it_was_changed(
    names: list[int], likely: int, lon: float, tmp_path_factory: Any
) -> None:
    text = set_value(DEMO, ("home", "lon_deg"), lon)
    text = set_value(text, ("tasks", 0, "likely_min"), likely)
    text = add_item(text, "people", {"name": "Old Tam", "can": []})
    wanted = [task["name"] for task in tomllib.loads(text)["tasks"]]
    for number in names:
        text = move_item(text, "tasks", number, 0)
        wanted.insert(0, wanted.pop(number))
    # beside the demo's files, but in a folder of the test's own
    for key in ("roads", "terrain", "fuel", "weather"):
        text = set_value(text, (key, "file"), str(demo_folder() / tomllib.loads(text)[key]["file"]))
    for key, file in (("fuel", "legend"), ("rules", "terrain_file"), ("rules", "fuel_file"), ("rules", "fuel_legend")):
        text = set_value(text, (key, file), str(demo_folder() / tomllib.loads(text)[key][file]))
    path = tmp_path_factory.mktemp("edited") / "plan.toml"
    path.write_text(text, encoding="utf-8")
    plan = load_plan(path)
    assert plan.home.lon_deg == lon
    assert [task.name for task in plan.tasks] == wanted
    assert next(task for task in plan.tasks if task.name.startswith("gather")).likely_s == 60.0 * likely
    assert [person.name for person in plan.people] == ["Ines", "Bo", "Wren (child)", "Old Tam"]
    comments = re.findall(r"#.*", DEMO)
    assert sorted(re.findall(r"#.*", text)) == sorted(comments)


def test_by_hand_what_stays_where() -> None:
    text = strike_item(DEMO, "tasks", 14)  # "check lights and brakes", behind which the last resort is spoken of
    assert '"drain the water", "shutters"]\n\n# Closing the house as the last resort, under' in text
    text = set_value(DEMO, ("tasks", 14, "needs"), ["lift"])
    assert 'after = ["hitch the house to the ute"]\nneeds = ["lift"]\n\n# Closing the house' in text
    text = set_value(DEMO, ("tasks", 5, "longest_min"), 3.5)
    assert [one for one in text.split("\n") if one not in DEMO.split("\n")] == ["longest_min = 3.5"]
    moved = move_item("# all\n\n# the goats\n[[a]]\nb = 1\n\n[[a]]\nb = 2\n", "a", 0, 1)
    assert moved == "# all\n\n[[a]]\nb = 2\n\n# the goats\n[[a]]\nb = 1\n"
    listed = '[roads]\nopen_gates = [\n    "w1",   # ours\n    "w2",   # theirs\n]\n'
    assert "# theirs" in set_value(listed, ("roads", "open_gates"), ["w2"])
    assert "# ours" in set_value(listed, ("roads", "open_gates"), ["w1", "w2", "w3"])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[a]]\nb = 1\n\n[c]\nd = 1\n\n[[a]]\nb = 2\n", "far apart"),
        ("a = [{b = 1}]\n", "in one line"),
        ("[a\n", "can't be read as TOML"),
    ],
)
def test_what_can_t_be_changed_with_its_comments_is_refused(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        strike_item(text, "a", 0)
