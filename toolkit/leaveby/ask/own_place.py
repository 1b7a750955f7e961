"""A plan while a person changes it: each change is checked at once, can be taken back, and is written when asked for.

What is written is the plan's own text with its comments. The demo's plan is never written: a copy of it is.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leaveby.ask.check import check_inputs
from leaveby.ask.household import demo_folder, load_plan, read_inputs
from leaveby.ask.new_given import NEW
from leaveby.caution import OVERRIDE
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.errors import InputError, refused
from leaveby.files.read.plan import FILE_KEYS, toml_text
from leaveby.files.write.plan_edit import add_item, plain, set_value, strike_item
from leaveby.files.write.whole import Made, write_whole
from leaveby.fire.weather.series import LIMITS, Weather
from leaveby.show.templates import text_of
from leaveby.units import km_h_from_m_s, local_words

NAMES_BETWEEN: Final[Mapping[str, tuple[str, str]]] = {"tasks": ("tasks", "after")}
"""Where names of one kind of table are spoken of: they follow when one is changed, and go when it is struck."""


@dataclass(frozen=True)
class Day:
    """The worst of a day: highest temperature, lowest humidity, strongest wind and where that comes from."""

    temperature_c: float
    humidity_percent: float
    wind_km_h: float
    wind_from_deg: float


@dataclass(frozen=True)
class OwnPlace:
    """A plan that is being changed.

    - `path`: where it will be written; `folder`: from which the names of its files are read until then.
    - `text`, `saved`: as it stands here, and in the file; `saved` is None while there is no file.
    - `weather`: tables of weather that the text names and nobody has written yet, by name.
    - `before`: as it stood before the last change.
    """

    path: Path
    folder: Path
    text: str
    saved: str | None
    weather: Mapping[str, str]
    before: OwnPlace | None = None

    @property
    def is_saved(self) -> bool:
        """Whether the file holds what stands here."""
        return self.text == self.saved and not self.weather

    def tables(self, name: str) -> list[dict[str, Any]]:
        """Give the tables of one kind as they stand."""
        held = self.section(name)
        return [dict(one) for one in held if isinstance(one, Mapping)] if isinstance(held, list) else []

    def section(self, name: str) -> Any:
        """Give what stands under a name; {} where nothing does."""
        return plain(self.text, where=str(self.path)).get(name, {})


@dataclass(frozen=True)
class Checked:
    """What `leaveby check` says of a plan: its faults, or what it says of the roads and how much is taken for granted.

    `inputs` is what could be read of the plan's files; None where that failed.
    """

    faults: tuple[str, ...]
    said: tuple[str, ...]
    inputs: HouseholdInputs | None


def open_place(plan: str | Path, folder: str | Path) -> OwnPlace:
    """Open a plan to change it where it is; of the demo's, a copy in `folder`, which is written when it is saved.

    InputError where it can't be read, or can't be changed with its comments kept.
    """
    path = Path(plan).resolve()
    if demo_folder().resolve() not in path.parents:
        text = toml_text(path)
        plain(text, where=str(path))
        return OwnPlace(path, path.parent, text, text, {})
    own = Path(folder).resolve() / path.name
    return open_place(own, folder) if own.is_file() else OwnPlace(own, path.parent, toml_text(path), None, {})


def changed(place: OwnPlace, text: str, *, weather: Mapping[str, str] | None = None) -> OwnPlace:
    """The place with another text; the same one where nothing is different."""
    made = replace(place, text=text, weather=place.weather if weather is None else weather, before=place)
    return place if (made.text, made.weather) == (place.text, place.weather) else made


def taken_back(place: OwnPlace) -> OwnPlace:
    """The place as it stood before the last change, whatever was saved since; the same one where there was none."""
    return place if place.before is None else replace(place.before, folder=place.folder, saved=place.saved)


def set_of(place: OwnPlace, name: str, number: int, values: Mapping[str, Any]) -> OwnPlace:
    """Set some keys of one of the tables of a kind; None takes a key away. Who speaks of its name follows."""
    text, old = place.text, place.tables(name)[number].get("name")
    for key, value in values.items():
        text = set_value(text, (name, number, key), value)
    new = values.get("name")
    return changed(place, _renamed(text, name, old, new) if new and new != old else text)


def with_item(place: OwnPlace, name: str, item: Mapping[str, Any]) -> OwnPlace:
    """Add a table of a kind, under a name that no other has."""
    taken = {one.get("name") for one in place.tables(name)}
    number = 2
    called = str(item["name"])
    while called in taken:
        called, number = f"{item['name']} {number}", number + 1
    return changed(place, add_item(place.text, name, {**item, "name": called}))


def without_item(place: OwnPlace, name: str, number: int) -> OwnPlace:
    """Strike a table, and its name where others speak of it."""
    old = place.tables(name)[number].get("name")
    return changed(place, _renamed(strike_item(place.text, name, number), name, old, None))


def _renamed(text: str, name: str, old: Any, new: Any) -> str:
    kind, key = NAMES_BETWEEN.get(name, ("", ""))
    for number, one in enumerate(plain(text).get(kind, ())):
        named = one.get(key, [])
        if old in named:
            text = set_value(
                text, (kind, number, key), [new if word == old else word for word in named if new or word != old]
            )
    return text


def check_place(place: OwnPlace) -> Checked:
    """Say what `leaveby check` would say of the plan as it stands here. No fire is computed."""
    inputs = None
    with tempfile.TemporaryDirectory() as scratch:
        text = place.text
        for name, table in place.weather.items():
            (Path(scratch) / name).write_text(table, encoding="utf-8")
            text = set_value(text, ("weather", "file"), str(Path(scratch) / name))
        try:
            plan = load_plan(place.folder / place.path.name, text=text)
            inputs = read_inputs(plan)
            found = check_inputs(inputs)
        except InputError as error:
            where = str(place.folder / place.path.name)
            return Checked(tuple(str(one).replace(where, place.path.name) for one in error.faults), (), inputs)
    supposed = f"{len(found.assumptions)} things were taken for granted; the answer names them."
    told = (local_words(one, plan.measures) for one in (*found.changes, *found.reach))
    return Checked((), (*found.roads.values(), *told, supposed), inputs)


def save_place(place: OwnPlace) -> OwnPlace:
    """Write the plan, and the weather that it names, all or none; the earlier file stays until the new one is checked.

    Where its files lie elsewhere, as the demo's do, they are copied beside it first, and none is written over.

    Raises
    ------
    InputError
        With its faults, where it has some, or where the file was changed by somebody else in the meantime.
    """
    if found := check_place(place).faults:
        raise refused(place.path.name, "place_with_faults", count=len(found))
    if (toml_text(place.path) if place.path.exists() else None) != place.saved:
        raise refused(place.path, "place_changed_elsewhere")
    files: dict[str, Made] = {}
    for name in _named(place) if place.folder != place.path.parent else ():
        if not (place.path.parent / name).exists():
            files[name] = (place.folder / name).read_bytes()
    write_whole({**files, **place.weather, place.path.name: place.text}, place.path.parent)
    load_plan(place.path)
    return replace(place, folder=place.path.parent, saved=place.text, weather={})


def _named(place: OwnPlace) -> Iterator[str]:
    """Names of files of the plan that lie in its folder."""
    for section, key in FILE_KEYS:
        held = place.section(section)
        for table in held if isinstance(held, list) else [held]:
            name = table.get(key)
            if isinstance(name, str) and not Path(name).is_absolute() and name not in place.weather:
                yield name


def worst_of(weather: Weather) -> Day:
    """The worst of a table of weather."""
    strongest = int(np.argmax(weather.wind_speed_m_s[:, 0]))
    return Day(
        round(float(weather.air_temperature_c.max()), 1),
        round(float(weather.relative_humidity_percent.min()), 1),
        round(km_h_from_m_s(float(weather.wind_speed_m_s.max())), 1),
        round(float(weather.wind_from_deg[strongest, 0]) % 360.0, 1),
    )


def with_day(place: OwnPlace, weather: Weather, day: Day) -> OwnPlace:
    """Give the plan a table of weather whose worst is `day`: every hour of `weather` is moved alike.

    The table is written beside the plan when that is saved, under a name that no file there has yet. InputError for a
    gridded forecast, which has a weather of its own at every place.
    """
    if weather.places > 1:
        raise refused("weather.file", "day_of_a_grid")
    name = next(iter(place.weather), "")
    number = 1
    while not name or ((place.path.parent / name).exists() and name not in place.weather):
        name, number = f"bad_day{'' if number == 1 else f'_{number}'}.csv", number + 1
    text = set_value(place.text, ("weather", "file"), name)
    own = plain(place.text).get("weather", {}).get("drought_factor", 10.0)
    return changed(place, text, weather={name: day_table(weather, day, drought_factor=own)})


def day_table(weather: Weather, day: Day, *, drought_factor: float) -> str:
    """Write a table of weather with another worst (CSV).

    Temperature and direction are moved by a difference, humidity and wind by a ratio, so that a change of the wind
    stays in it.

    - `drought_factor`: of the plan; a column is written where the weather has its own.
    """
    now = worst_of(weather)
    low, high = LIMITS["air_temperature_c"][2:]

    def grown(values: NDArray[np.float64], new: float, old: float) -> NDArray[np.float64]:
        return values * new / old if old > 0.0 else np.full_like(values, new)

    wind_km_h = km_h_from_m_s(weather.wind_speed_m_s[:, 0])
    columns: dict[str, NDArray[np.float64]] = {
        "temperature_c": np.clip(weather.air_temperature_c[:, 0] + day.temperature_c - now.temperature_c, low, high),
        "relative_humidity_percent": np.minimum(
            grown(weather.relative_humidity_percent[:, 0], day.humidity_percent, now.humidity_percent), 100.0
        ),
        "wind_speed_km_h": grown(wind_km_h, day.wind_km_h, now.wind_km_h),
        "wind_from_deg": (weather.wind_from_deg[:, 0] + day.wind_from_deg - now.wind_from_deg) % 360.0,
    }
    if weather.gust_m_s is not None:
        most_km_h = km_h_from_m_s(LIMITS["gust_m_s"][3])
        gusts = grown(km_h_from_m_s(weather.gust_m_s[:, 0]), day.wind_km_h, now.wind_km_h)
        columns["gust_km_h"] = np.clip(gusts, columns["wind_speed_km_h"], most_km_h)
    if np.any(weather.drought_factor != drought_factor):
        columns["drought_factor"] = weather.drought_factor[:, 0]
    if np.any(weather.curing_percent != 100.0):
        columns["curing_percent"] = weather.curing_percent[:, 0]
    moments = [(weather.start + timedelta(seconds=at_s)).isoformat() for at_s in weather.time_s.tolist()]
    rows = zip(moments, *(np.round(values, 2).tolist() for values in columns.values()), strict=True)
    return text_of("ask/own_day.csv.j2", override=OVERRIDE, day=day, columns=["time", *columns], rows=rows)


def day_spans() -> tuple[tuple[float, float], ...]:
    """How far temperature, humidity and wind of a day by hand may go, as for a new plan."""
    return tuple((told["least"], told["most"]) for told in NEW["day"][:3])
