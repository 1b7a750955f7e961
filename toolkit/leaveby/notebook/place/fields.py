"""The fields in which one table of a plan is written: how each kind of key is shown, and how what is typed is read.

What can't be read stays as it was typed, so that the check of the plan says what is wrong with it and how to mend it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from leaveby.ask.new_given import point_of
from leaveby.errors import InputError
from leaveby.household.plan_document import number_in
from leaveby.household.plan_tables import TASK_WAYS, WAYS
from leaveby.notebook.widgets import control, import_lab
from leaveby.show.wording import clean

WAY_LABELS: Final[Mapping[str, str]] = {
    "tow": "leaving with the house (tow)",
    "car": "leaving by car (car)",
    "foot": "leaving on foot (foot)",
    "shelter": "closing the house (shelter)",
}
KIND_LABELS: Final[Mapping[str, str]] = {"safe_point": "a safe point", "place_of_last_resort": "a place of last resort"}
_POINTS: Final = ("shortest_min", "likely_min", "longest_min")

Item = Mapping[str, Any]


@dataclass(frozen=True)
class Field:
    """A field on the page: `show` puts an item of the plan into it, `read` gives what stands in it by its keys.

    `parts` are the controls in it, as they are now.
    """

    box: Any
    parts: Callable[[], Sequence[Any]]
    show: Callable[[Item, Sequence[str]], None]
    read: Callable[[], dict[str, Any]]


def wide() -> Any:
    """The width of fields that hold names: the page's, as far as a name is long."""
    return import_lab().Layout(width="100%", max_width="48em")


def field_of(key: str, label: str, *, form: str, task: bool, moved: Callable[[Any], None]) -> Field:
    """Make the field of a key; `moved` hears of each change, `task` says for whose ways it is."""
    if form in ("ways", "names"):
        return _ticks(key, label, fixed=(TASK_WAYS if task else WAYS) if form == "ways" else None, moved=moved)
    shown, read = _FORMS[form]
    if form == "choice":
        made = control("Dropdown", label, options=[(words, kind) for kind, words in KIND_LABELS.items()])
    else:
        made = control("Text", label, continuous_update=False, layout=wide())

    def show(item: Item, _names: Sequence[str]) -> None:
        value = (item.get("lat_deg"), item.get("lon_deg")) if form == "place" else item.get(key)
        text = "" if value is None else shown(value)
        if form != "choice" or text in KIND_LABELS:
            made.value = text

    def given() -> dict[str, Any]:
        value = read(made.value)
        if form != "place":
            return {key: value}
        return {"lon_deg": value[0], "lat_deg": value[1]} if isinstance(value, tuple) else {"lat_deg": value}

    made.observe(moved, names="value")
    return Field(made, lambda: (made,), show, given)


def _ticks(key: str, label: str, *, fixed: Sequence[str] | None, moved: Callable[[Any], None]) -> Field:
    """A box to tick for each of some ways, or for each other table of the kind by its name."""
    widgets = import_lab()
    made: dict[str, Any] = {}
    spare: list[Any] = []
    box = widgets.Box(layout=widgets.Layout(flex_flow="row wrap", width="100%"))

    def show(item: Item, names: Sequence[str]) -> None:
        held = item.get(key)
        held = [one for one in held if isinstance(one, str)] if isinstance(held, list) else []
        words = (
            fixed
            if fixed is not None
            else [name for name in dict.fromkeys([*names, *held]) if name != item.get("name")]
        )
        spare.extend(made.values())
        made.clear()
        for word in words:
            if not spare:
                spare.append(widgets.Checkbox(indent=False, layout=widgets.Layout(width="24em")))
                spare[0].observe(moved, names="value")
            made[word] = spare.pop(0)
            made[word].description = f"{clean(label)} {WAY_LABELS.get(word, clean(word, 60))}"
            made[word].value = word in held
        box.children = tuple(made.values())
        box.layout.display = None if made else "none"

    def read() -> dict[str, Any]:
        return {key: [word for word, one in made.items() if one.value]}

    return Field(box, lambda: tuple(made.values()), show, read)


def number(text: str) -> Any:
    """Read a number, as whole where it is; a text that is none stays one.

    >>> number("8"), number("0,7"), number(" "), number("soon")
    (8, 0.7, None, 'soon')
    """
    plain = text.strip().replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        return text.strip() or None
    return int(value) if value.is_integer() and abs(value) < 1e15 else value if value - value == 0.0 else text.strip()


def minutes(text: str) -> Any:
    """Read minutes, or three of them as the points of a time that is not certain.

    >>> minutes("30"), minutes("20, 35, 90")
    (30, {'shortest_min': 20, 'likely_min': 35, 'longest_min': 90})
    """
    parts = [part for part in text.replace(";", ",").split(",") if part.strip()]
    return dict(zip(_POINTS, map(number, parts), strict=True)) if len(parts) == 3 else number(text)


def words(text: str) -> list[str]:
    """Read words with commas between.

    >>> words("lift, drive,")
    ['lift', 'drive']
    """
    return [part.strip() for part in text.split(",") if part.strip()]


def place(text: str) -> Any:
    """Read a point as people write it; longitude and latitude, or the text that is none.

    >>> place("-36.1291, 148.9424"), place("here")
    ((148.9424, -36.1291), 'here')
    """
    try:
        lon_deg, lat_deg = point_of(text)
    except InputError:
        return text.strip()
    return round(lon_deg, 7), round(lat_deg, 7)


def points(text: str) -> Any:
    """Read some points with semicolons between, as the plan has them."""
    read = [place(part) for part in text.split(";") if part.strip()]
    return [list(one) if isinstance(one, tuple) else one for one in read]


def moment(text: str) -> Any:
    """Read a date and time; a text that is none stays one."""
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        return text.strip()


def point_words(lat_deg: Any, lon_deg: Any) -> str:
    """Write a point as it is read: latitude, longitude; as finely as it is known, and never too coarsely to be read.

    >>> point_words(-36.1, 148.94245), point_words("here", None)
    ('-36.10000, 148.94245', 'here, None')
    """
    return f"{_degrees(lat_deg)}, {_degrees(lon_deg)}"


def _degrees(value: Any) -> str:
    known = number_in(value)
    return str(value) if known is None else f"{known:.5f}" if round(known, 5) == known else f"{known:.7f}"


def _short(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _minutes_words(value: Any) -> str:
    return ", ".join(_short(value.get(key)) for key in _POINTS) if isinstance(value, Mapping) else _short(value)


def points_words(value: Any) -> str:
    """Write some points as they are read."""
    pairs = value if isinstance(value, list) else [value]
    return "; ".join(
        point_words(one[1], one[0]) if isinstance(one, list) and len(one) == 2 else str(one) for one in pairs
    )


_FORMS: Final[Mapping[str, tuple[Callable[[Any], str], Callable[[str], Any]]]] = {
    "text": (str, str.strip),
    "choice": (str, str),
    "number": (_short, number),
    "minutes": (_minutes_words, minutes),
    "words": (lambda value: ", ".join(map(str, value)) if isinstance(value, list) else str(value), words),
    "place": (lambda value: point_words(*value), place),
    "points": (points_words, points),
    "moment": (lambda value: value.isoformat() if isinstance(value, datetime) else str(value), moment),
}
"""How a value of each kind is shown in a line of text, and read from one."""
