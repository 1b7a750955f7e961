"""The household's plan in SI units, and what its people, vehicles and tasks say of its ways of leaving.

The words of the plan file (minutes, km/h, TOML) end in `leaveby.household.plan_file`; from here on everything is in
seconds, metres and metres per second.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from math import inf
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field

from leaveby.errors import Fault, fault_of, refuse
from leaveby.household import plan_tables as nouns
from leaveby.household.plan_keys import Listed, MonthAndDay, Name, Read, Table, keys_from
from leaveby.household.plan_tables import TASK_WAYS, WAYS, Animal, Person, Scale, Task, TaskWay, Vehicle, Way
from leaveby.household.practice.runs import Practice
from leaveby.regions import measures_of, rating_scale
from leaveby.units import Measures

keyed = keys_from(__package__, "plan_keys.csv")

Durations = Literal["beta_pert", "triangular"]

BEFORE_SEASON: Final = timedelta(weeks=8)
"""How long before the start of the season a plan is looked over (judgement)."""

LIKE_THE_PLANS: Final = "a day like the plan's"
"""The only rating of a plan that names none, where no scale is known."""


@dataclass(frozen=True)
class Household:
    """The part of a plan that says how long the household needs: who, with what, and what there is to do."""

    people: tuple[Person, ...]
    tasks: tuple[Task, ...]
    vehicles: tuple[Vehicle, ...] = ()
    animals: tuple[Animal, ...] = ()


@dataclass(frozen=True, kw_only=True)
@keyed
class Asked(Table):
    """What is asked of the computation."""

    name: Name
    confidence: float = 0.95
    margin_s: float = 600.0
    members: int = 20_000
    precision_s: float = 120.0
    seed: Annotated[int, Field(strict=True, ge=0, lt=2**63, description="a whole number, 0 or more")] = 1
    horizon_s: float = 28_800.0
    durations: Durations = "beta_pert"
    season_starts: MonthAndDay | None = None


@dataclass(frozen=True, kw_only=True)
@keyed
class Sections:
    """The sections and tables of a plan file, but for `[plan]`."""

    home: nouns.Home
    people: Annotated[tuple[Annotated[Person, Read(nouns.PersonTable, nouns.PersonTable.person)], ...], Listed(least=1)]
    tasks: Annotated[tuple[Task, ...], Listed()]
    safe_points: Annotated[tuple[nouns.SafePoint, ...], Listed(least=1)]
    roads: nouns.RoadsInput
    terrain: nouns.TerrainInput
    fuel: nouns.FuelInput
    weather: nouns.WeatherInput
    ignitions: Annotated[tuple[Annotated[nouns.IgnitionInput, AfterValidator(nouns.ring_opened)], ...], Listed()] = ()
    fire: nouns.FireInput = field(default_factory=nouns.FireInput)
    house: nouns.House = field(default_factory=nouns.House)
    animals: Annotated[tuple[Animal, ...], Listed()] = ()
    vehicles: Annotated[tuple[Vehicle, ...], Listed()] = ()
    towing: nouns.Towing | None = None
    neighbours: nouns.NeighboursInput | None = None
    danger: nouns.DangerInput = field(default_factory=nouns.DangerInput)
    ratings: Annotated[tuple[nouns.RatingInput, ...], Listed()] = ()
    rules: nouns.RulesInput = field(default_factory=nouns.RulesInput)
    official_sources: Annotated[tuple[nouns.OfficialSource, ...], Listed()] = ()


@dataclass(frozen=True, kw_only=True)
@keyed
class _PlanSection:
    plan: Asked


@dataclass(frozen=True, kw_only=True)
class PlanFile(Sections, _PlanSection, Table):
    """The plan file."""


@dataclass(frozen=True, kw_only=True)
class Plan(Sections, Asked):
    """A whole plan file in SI units. Field names are those of the file's sections.

    - `assumptions`: sentences: everything that the plan left open and that a default filled, if it could save minutes.
    - `where`: the file that the plan was read from, for messages.
    - `practice`: the practice runs beside the plan, which its times learn from.
    """

    assumptions: tuple[str, ...] = ()
    where: str = "plan"
    practice: Practice | None = None

    @property
    def household(self) -> Household:
        """The people, animals, vehicles and tasks of this plan."""
        return Household(people=self.people, tasks=self.tasks, vehicles=self.vehicles, animals=self.animals)

    @property
    def starts_at(self) -> datetime:
        """When the scenario starts: the earliest ignition. Times in seconds count from here.

        Without ignitions, the earliest moment there is: no weather begins so early, so none is taken for it by mistake.
        """
        return min((ignition.at for ignition in self.ignitions), default=datetime.min.replace(tzinfo=UTC))

    @property
    def has_worked_day(self) -> bool:
        """Whether the plan has fires of its own, so that a day with its clock can be worked out."""
        return bool(self.ignitions)

    @property
    def looked_over_on(self) -> tuple[int, int] | None:
        """Month and day on which the plan is looked over each year; None where it does not say when the season starts.

        Eight weeks before the season: time to do what that asks (judgement).
        """
        if self.season_starts is None:
            return None
        # in a year without 29 February, so that the day is the same in all years
        day = date(2026, *self.season_starts) - BEFORE_SEASON
        return day.month, day.day

    @property
    def rating_scale(self) -> Scale:
        """The scale of ratings: the one that the plan names, or that of the region of its roads."""
        return self.danger.scale or rating_scale(self.roads.region)

    @property
    def measures(self) -> Measures:
        """The units that people read in the region of the plan's roads."""
        return measures_of(self.roads.region)


def arrival_faults(people: Sequence[Person]) -> list[Fault]:
    """Find people whose three points of arrival are not in rising order from 0."""
    return [
        fault_of(f'person "{person.name}"', "arrivals_fall", points="{:g}, {:g}, {:g}".format(*person.arrival_points_s))
        for person in people
        if not 0 <= person.arrival_points_s[0] <= person.arrival_points_s[1] <= person.arrival_points_s[2] < inf
    ]


def uncertain_people(household: Household | Plan) -> tuple[Person, ...]:
    """Pick the people whose arrival has a spread, in the order of the plan: members draw one number for each of them.

    Examples
    --------
    >>> late = Person("Bo", arrives_after_s=900.0, arrives_latest_s=1800.0)
    >>> [person.name for person in uncertain_people(Household((Person("Ines"), late), tasks=()))]
    ['Bo']
    """
    return tuple(person for person in household.people if person.arrival_is_uncertain)


def can_do(can: Collection[str], needs: Collection[str]) -> bool:
    """Tell whether someone with these skills can be put on a task with these needs.

    Someone without any skill is put on no task, not even on one without needs.

    Examples
    --------
    >>> can_do(("lift", "drive"), ("lift",)), can_do(("drive",), ()), can_do((), ())
    (True, True, False)
    """
    return bool(can) and set(needs).issubset(can)


def trailer(household: Household | Plan) -> Vehicle | None:
    """Find the trailer, or None."""
    return next((vehicle for vehicle in household.vehicles if vehicle.kind == "trailer"), None)


def towing_car(household: Household | Plan) -> Vehicle | None:
    """Find the car that tows the trailer, or None when there is no trailer or no such car."""
    house = trailer(household)
    if house is None:
        return None
    return next((car for car in household.vehicles if car.kind == "car" and car.name == house.towed_by), None)


def why_no_way(household: Household | Plan, way: Way) -> str | None:
    """Say why a way of leaving isn't one for this household, or None when it is.

    Leaving on foot always counts as a way; where it leads is for the roads to say.

    Examples
    --------
    >>> why_no_way(Household(people=(Person("Ines"),), tasks=()), "car")
    'There is no car.'
    """
    if way not in WAYS:
        raise refuse("way", f"is {way!r}", expected="tow, car or foot", mend="name one of the three ways of leaving")
    if way == "foot":
        return None
    cars = [vehicle for vehicle in household.vehicles if vehicle.kind == "car"]
    drivers = [person for person in household.people if "drive" in person.can or "tow" in person.can]
    if way == "car":
        if not cars:
            return "There is no car."
        if not any("drive" in person.can for person in household.people):
            return "Nobody can drive."
        return _too_few_seats(cars, people=len(household.people), drivers=len(drivers), first=None)
    if trailer(household) is None:
        return "There is no trailer."
    car = towing_car(household)
    if car is None:
        return "There is no car to tow the trailer."
    if not any("tow" in person.can for person in household.people):
        return "Nobody can drive with the trailer on."
    return _too_few_seats(cars, people=len(household.people), drivers=len(drivers), first=car)


def _too_few_seats(cars: Sequence[Vehicle], *, people: int, drivers: int, first: Vehicle | None) -> str | None:
    if any(car.seats is None for car in cars):
        return None
    taken = [] if first is None else [first]
    others = sorted((car for car in cars if car is not first), key=lambda car: -(car.seats or 0))
    taken += others[: drivers - len(taken)]
    seats = sum(car.seats or 0 for car in taken)
    if seats >= people:
        return None
    return f"The cars that can be driven at once have {seats} seats for {people} people."


def ways(household: Household | Plan) -> tuple[Way, ...]:
    """Name the ways of leaving that this household has.

    `car` needs a car, someone who can drive and a seat for everyone; `tow` needs the trailer, its car, someone who can
    tow and a seat for everyone; `foot` is always there.

    Examples
    --------
    >>> ute = Vehicle("ute", "car", width_m=1.9, height_m=1.9, length_m=5.4, mass_kg=2400.0, seats=5)
    >>> ways(Household(people=(Person("Ines", can=("drive",)),), tasks=(), vehicles=(ute,)))
    ('car', 'foot')
    """
    return tuple(way for way in WAYS if why_no_way(household, way) is None)


def way_numbers(names: Collection[str]) -> frozenset[int]:
    """Read the numbers of ways of the extract.

    >>> sorted(way_numbers(["w123", "7", "the gate"]))
    [7, 123]
    """
    return frozenset(int(digits) for name in names if (digits := "".join(filter(str.isdigit, name))))


def tasks_for(household: Household | Plan, way: TaskWay) -> tuple[Task, ...]:
    """Pick the tasks that have to be done today for one way, in the order of the plan.

    Tasks that are already done, or that are not for this way, drop out; what was to wait for them waits for what they
    were to wait for, so that no order is lost: `after` holds names of these tasks only.

    Examples
    --------
    >>> def task(name, ways, after=()):
    ...     return Task(name, ways=ways, shortest_s=60.0, likely_s=60.0, longest_s=60.0, after=after)
    >>> home = Household(
    ...     people=(Person("Ines"),),
    ...     tasks=(
    ...         task("bags", ("tow", "car")),
    ...         task("hitch", ("tow",), ("bags",)),
    ...         task("gate", ("tow", "car"), ("hitch",)),
    ...     ),
    ... )
    >>> [(t.name, t.after) for t in tasks_for(home, "car")]
    [('bags', ()), ('gate', ('bags',))]
    """
    if way not in TASK_WAYS:
        raise refuse("way", f"is {way!r}", expected="tow, car, foot or shelter", mend="name one of the four")
    picked = {task.name for task in household.tasks if way in task.ways and not task.done_before_season}
    by_name = {task.name: task for task in household.tasks}

    def kept_before(task: Task) -> tuple[str, ...]:
        found: dict[str, None] = {}
        seen = set()
        ahead = list(reversed(task.after))
        while ahead:
            name = ahead.pop()
            if name in seen:
                continue
            seen.add(name)
            if name in picked:
                found[name] = None
            else:
                ahead.extend(reversed(by_name[name].after))
        return tuple(found)

    return tuple(replace(task, after=kept_before(task)) for task in household.tasks if task.name in picked)
