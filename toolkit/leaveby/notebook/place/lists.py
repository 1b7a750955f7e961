"""The panel over one of a plan's lists: people, tasks, safe points or fire starts: add, change, strike, reorder."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Final

from leaveby.ask.own_place import OwnPlace, changed, set_of, with_item, without_item
from leaveby.files.write.plan_edit import move_item
from leaveby.household.plan_places import Place
from leaveby.notebook.place.desk import Desk, buttons, keeping
from leaveby.notebook.place.fields import Field, field_of, wide
from leaveby.notebook.widgets import control, import_lab, panel
from leaveby.regions import table, table_rows
from leaveby.show.wording import clean

_KEPT_EMPTY: Final = ("name", "can", "ways", "lon_lat_deg", "at", "shortest_min", "likely_min", "longest_min")
"""Keys that a plan needs: left empty they stay, and the check says so; others are taken out."""


def place_list(desk: Desk, kind: str) -> Any:
    """Make the panel of a list: choose one of it, change its fields, or add, strike and move one."""
    widgets, told = import_lab(), table("notebook/place/lists")[kind]
    chosen = control("Select", told["title"], options=[], rows=8 if kind == "tasks" else 4, layout=wide())
    at = SimpleNamespace(shows=False, number=None)

    def moved(field: Field) -> None:
        if at.shows or at.number is None:
            return
        values = {key: _kept(key, value) for key, value in field.read().items()}
        desk.change(lambda place: set_of(place, kind, at.number, values))

    fields: list[Field] = []
    for number, row in enumerate(one for one in table_rows(__package__, "fields.csv") if one["kind"] == kind):
        hear = lambda _change, number=number: moved(fields[number])  # noqa: E731
        fields.append(field_of(row["key"], row["label"], form=row["form"], task=kind == "tasks", moved=hear))
    editor = widgets.VBox([field.box for field in fields])

    def show() -> None:
        held = desk.place.tables(kind)
        at.shows = True
        at.number = None if not held else min(at.number or 0, len(held) - 1)
        rows = tuple((f"{number}. {_called(one)}", number - 1) for number, one in enumerate(held, start=1))
        if chosen.options != rows:
            chosen.options = rows
        chosen.value = at.number
        names = [one["name"] for one in held if isinstance(one.get("name"), str)]
        for field in fields if held else ():
            field.show(held[at.number], names)
        editor.layout.display = None if held else "none"
        at.shows = False

    def choose(_change: object) -> None:
        if not at.shows and chosen.value is not None:
            at.number = chosen.value
            show()

    def add() -> None:
        at.number = len(desk.place.tables(kind))
        desk.change(lambda place: added(place, kind, desk.point))

    def strike() -> None:
        if at.number is not None:
            desk.change(lambda place: without_item(place, kind, at.number))

    def shift(by: int) -> None:
        if at.number is not None and 0 <= at.number + by < len(desk.place.tables(kind)):
            number, at.number = at.number, at.number + by
            desk.change(lambda place: changed(place, move_item(place.text, kind, number, number + by)))

    chosen.observe(choose, names="value")
    one = told["one"]
    row = buttons(
        (f"Add a {one}", add),
        (f"Strike this {one}", strike),
        (f"Move this {one} up", lambda: shift(-1)),
        (f"Move this {one} down", lambda: shift(1)),
    )
    desk.listen(show)
    return panel(chosen, row, editor, keeping(desk))


def added(place: OwnPlace, kind: str, point: Place | None) -> OwnPlace:
    """Add what a new table of a kind begins with; a place is at a point, or else at the home."""
    item: dict[str, Any] = dict(table("notebook/place/lists")[kind]["new"])
    home = place.section("home")
    lon_deg, lat_deg = point or (home.get("lon_deg", 0.0), home.get("lat_deg", 0.0))
    if kind == "tasks":
        ways = {way for one in place.tables(kind) for way in one.get("ways", ()) if isinstance(way, str)}
        item["ways"] = [way for way in item["ways"] if way in ways] or item["ways"]
    if kind == "safe_points":
        item = {
            "name": item["name"],
            "lon_deg": lon_deg,
            "lat_deg": lat_deg,
            "kind": item["kind"],
            "ways": item["ways"],
        }
    if kind == "ignitions":
        before = next(iter(place.tables(kind)), {}).get("at", "")
        item |= {"at": before, "lon_lat_deg": [[lon_deg, lat_deg]]}
    return with_item(place, kind, item)


def _kept(key: str, value: Any) -> Any:
    empty = value is None or value in ("", [])
    return ("" if value is None else value) if not empty or key in _KEPT_EMPTY else None


def _called(one: dict[str, Any]) -> str:
    name = one.get("name")
    return clean(name, 60) if isinstance(name, str) and name.strip() else "(without a name)"
