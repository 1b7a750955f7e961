"""The map of one's own place: a point on it, by a click or by its coordinates, and what is to be there."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Final

from markupsafe import Markup

from leaveby.ask.new_given import point_of
from leaveby.ask.own_place import OwnPlace, changed, set_of
from leaveby.errors import InputError
from leaveby.files.write.plan_edit import set_value
from leaveby.household.plan import way_numbers
from leaveby.household.plan_places import Place
from leaveby.notebook.live.map import open_map
from leaveby.notebook.place.desk import Desk, buttons, keeping
from leaveby.notebook.place.fields import point_words, points_words, wide
from leaveby.notebook.place.lists import added
from leaveby.notebook.place.sheet import ground_of, place_sheet, roads_near
from leaveby.notebook.widgets import control, import_lab, panel
from leaveby.regions import table
from leaveby.show.wording import clean

MOVED: Final = ("safe_points", "ignitions")
"""Kinds of tables that have a place."""

_NOTHING: Final = ("", 0)
"""Of a list, nothing; a row that stood for None would be no row once it was chosen."""


def place_map(desk: Desk) -> Any:
    """Make the map: choose a point by a click or by its coordinates, and say what is there."""
    widgets = import_lab()
    point = control("Text", "Point (latitude, longitude)", continuous_update=False)
    moves = control("Dropdown", "What to move to the point", options=[("nothing chosen", _NOTHING)], layout=wide())
    note, stands, drawn = widgets.HTML(), widgets.HTML(), open_map()
    at = SimpleNamespace(ground=None, shows=False)

    def clicked(**event: Any) -> None:
        if event.get("type") == "click":
            lat_deg, lon_deg = event["coordinates"]
            desk.choose((float(lon_deg), float(lat_deg)))

    def typed(_change: object) -> None:
        if at.shows:
            return
        try:
            desk.choose(point_of(point.value))
        except InputError as error:
            desk.say(refused=str(error))

    def move() -> None:
        kind, number = moves.value
        if kind:
            desk.change(lambda place: moved(place, kind, number, desk.chosen))

    def tell(_change: object = None) -> None:
        stands.value = _stands(desk.place, moves.label, *moves.value)

    def show() -> None:
        at.shows = True
        lon_deg, lat_deg = desk.chosen
        point.value = point_words(lat_deg, lon_deg)
        kept, known = moves.value, _movable(desk.place)
        if moves.options != known:  # a list that is set anew forgets what somebody is choosing
            moves.options = known
            moves.value = kept if kept in [one for _, one in known] else _NOTHING
        tell()
        if desk.read is None:
            note.value = "<p>The map will stand here once the plan's files can be read.</p>"
        else:
            at.ground = at.ground or ground_of(desk.read)
            note.value = ""
            drawn.show(place_sheet(desk, at.ground))
        at.shows = False

    drawn.chart.on_interaction(clicked)
    point.observe(typed, names="value")
    moves.observe(tell, names="value")
    desk.listen(show)
    put = buttons(
        ("The home is here", lambda: desk.change(lambda place: moved(place, "home", 0, desk.chosen))),
        ("Add a safe point here", lambda: desk.change(lambda place: added(place, "safe_points", desk.chosen))),
        ("Add a fire start here", lambda: desk.change(lambda place: added(place, "ignitions", desk.chosen))),
    )
    return panel(note, drawn.box, point, put, moves, stands, buttons(("Move it to the point", move)), keeping(desk))


def _movable(place: OwnPlace) -> tuple[tuple[str, tuple[str, int]], ...]:
    rows = [("nothing chosen", _NOTHING)]
    for kind in MOVED:
        one = table("notebook/place/lists")[kind]["one"].capitalize()
        named = enumerate(place.tables(kind))
        rows += [(f"{one} {at + 1}: {clean(str(held.get('name', '')), 40)}", (kind, at)) for at, held in named]
    return tuple(rows)


def _stands(place: OwnPlace, label: str, kind: str, number: int) -> str:
    if not kind:
        return ""
    held = place.tables(kind)[number]
    at = held.get("lon_lat_deg") if kind == "ignitions" else [[held.get("lon_deg"), held.get("lat_deg")]]
    return str(Markup("<p>{} stands at {}.</p>").format(label, points_words(at)))


def moved(place: OwnPlace, kind: str, number: int, point: Place) -> OwnPlace:
    """Put the home, a safe point or a fire start at a point; a fire that is a line or a ring becomes that point."""
    lon_deg, lat_deg = point
    if kind == "home":
        text = set_value(place.text, ("home", "lon_deg"), lon_deg)
        return changed(place, set_value(text, ("home", "lat_deg"), lat_deg))
    if kind == "safe_points":
        return set_of(place, kind, number, {"lon_deg": lon_deg, "lat_deg": lat_deg})
    return set_of(place, kind, number, {"lon_lat_deg": [[lon_deg, lat_deg]], "ring": None})


def place_roads(desk: Desk) -> Any:
    """Make the panel of the roads near the chosen point: close one, or say that its gate is one's own."""
    widgets = import_lab()
    near = control("Dropdown", "A road near the point", options=[], layout=wide())
    marks = {
        "closed_ways": widgets.Checkbox(description="This road is closed: no way out runs over it"),
        "open_gates": widgets.Checkbox(description="Its gate or private way is ours to open"),
    }
    at = SimpleNamespace(ground=None, point=None, shows=False)

    def tick() -> None:
        roads = desk.place.section("roads")
        for key, box in marks.items():
            box.value = near.value in way_numbers([str(one) for one in roads.get(key, [])])
            box.disabled = near.value is None

    def show() -> None:
        at.shows = True
        if desk.read is not None and (at.point != desk.chosen or not near.options):
            at.ground, at.point = at.ground or ground_of(desk.read), desk.chosen
            near.options = roads_near(at.ground, desk.chosen)
            near.value = near.options[0][1] if near.options else None
        tick()
        at.shows = False

    def chosen(_change: object) -> None:
        shown, at.shows = at.shows, True
        tick()
        at.shows = shown

    def mark(key: str, ticked: bool) -> None:
        if not at.shows:
            desk.change(lambda place: with_way(place, key, near.value, ticked=ticked))

    near.observe(chosen, names="value")
    for key, box in marks.items():
        box.indent, box.layout.width = False, "auto"
        box.observe(lambda change, key=key: mark(key, change["new"]), names="value")
    desk.listen(show)
    return panel(near, *marks.values(), keeping(desk))


def with_way(place: OwnPlace, key: str, way: int, *, ticked: bool) -> OwnPlace:
    """Put a way of the extract among those that the plan closes or opens, or take it out."""
    roads = place.section("roads")
    held = [str(one) for one in roads.get(key, [])]
    kept = [one for one in held if way_numbers([one]) != {way}]
    named = [*held, f"w{way}"] if ticked and kept == held else held if ticked else kept
    return changed(place, set_value(place.text, ("roads", key), named or None))
