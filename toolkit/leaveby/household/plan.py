"""The household's plan as nouns in SI units: people, vehicles, tasks, safe points and the inputs beside them.

The words of the plan file (minutes, km/h, TOML) end in `leaveby.household.plan_file`; from here on everything is in
seconds, metres and metres per second.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf
from pathlib import Path
from typing import Final, Literal

from leaveby.errors import Fault, refuse

Way = Literal["tow", "car", "foot"]
TaskWay = Literal["tow", "car", "foot", "shelter"]
Durations = Literal["beta_pert", "triangular"]

WAYS: Final[tuple[Way, ...]] = ("tow", "car", "foot")
"""Ways of leaving, the slowest to make ready first."""

TASK_WAYS: Final[tuple[TaskWay, ...]] = ("tow", "car", "foot", "shelter")
"""What a task can be for: the ways of leaving, and closing the house as the last resort."""


@dataclass(frozen=True)
class Person:
    """Someone who has to get out.

    Attributes
    ----------
    name : str
    can : tuple of str
        What this person can do. `drive` and `tow` have a meaning of their own; other words are matched with what
        the tasks need. Someone who can do nothing takes no task: a child's hands are not counted.
    arrives_after_s : float
        Seconds from the start of getting ready until this person is home, 0 or more; the likely time where it is not
        certain. Nobody leaves before everyone has arrived.
    arrives_soonest_s, arrives_latest_s : float or None
        The other two of a three-point arrival; None: as `arrives_after_s`.

    Examples
    --------
    >>> Person("Ines", can=("lift", "drive")).arrives_after_s
    0.0
    >>> fetching = Person("Bo", ("lift",), arrives_after_s=1800.0, arrives_latest_s=5400.0)
    >>> fetching.arrival_points_s, fetching.arrival_is_uncertain
    ((1800.0, 1800.0, 5400.0), True)
    """

    name: str
    can: tuple[str, ...] = ()
    arrives_after_s: float = 0.0
    arrives_soonest_s: float | None = None
    arrives_latest_s: float | None = None

    @property
    def arrival_points_s(self) -> tuple[float, float, float]:
        """Soonest, likely and latest arrival in seconds."""
        likely_s = self.arrives_after_s
        soonest_s, latest_s = self.arrives_soonest_s, self.arrives_latest_s
        return (likely_s if soonest_s is None else soonest_s, likely_s, likely_s if latest_s is None else latest_s)

    @property
    def arrival_is_uncertain(self) -> bool:
        """Whether the arrival has a spread, so that every member has its own."""
        soonest_s, _, latest_s = self.arrival_points_s
        return latest_s > soonest_s

    @property
    def is_away(self) -> bool:
        """Whether the household may have to wait for this person."""
        return self.arrival_points_s[-1] > 0.0


@dataclass(frozen=True)
class Animal:
    """An animal or a group of animals; loading them is a task like any other."""

    name: str
    note: str = ""


@dataclass(frozen=True)
class Vehicle:
    """A car, or the trailer that carries the house.

    Attributes
    ----------
    kind : {"car", "trailer"}
    width_m, height_m, length_m : float
        Outer size in metres, as it stands on the road.
    mass_kg : float
        Laden mass in kilograms.
    seats : int or None
        Seats of a car, the driver's included; None for a trailer or when the plan does not say.
    power_kw : float or None
        Engine power of a car in kilowatts; None for a trailer or when the plan does not say.
    towed_by : str or None
        For a trailer, the name of the car that tows it.
    """

    name: str
    kind: Literal["car", "trailer"]
    width_m: float
    height_m: float
    length_m: float
    mass_kg: float
    seats: int | None = None
    power_kw: float | None = None
    towed_by: str | None = None


@dataclass(frozen=True)
class Task:
    """One thing to do before leaving, or before closing the house.

    Attributes
    ----------
    name : str
    ways : tuple of {"tow", "car", "foot", "shelter"}
        What the task is needed for.
    shortest_s, likely_s, longest_s : float
        Three-point duration in seconds, in rising order.
    hands : int
        People at once.
    needs : tuple of str
        What every person on the task has to be able to do.
    after : tuple of str
        Names of the tasks that have to be finished first, among those that are done for the same way.
    done_before_season : bool
        Already done: takes no time and no hands today.

    Examples
    --------
    >>> Task("hitch", ways=("tow",), shortest_s=300.0, likely_s=600.0, longest_s=1200.0, hands=2).hands
    2
    """

    name: str
    ways: tuple[TaskWay, ...]
    shortest_s: float
    likely_s: float
    longest_s: float
    hands: int = 1
    needs: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    done_before_season: bool = False


@dataclass(frozen=True)
class SafePoint:
    """Where leaving ends: a safe point, or a place of last resort.

    Attributes
    ----------
    lon_deg, lat_deg : float
        WGS 84.
    kind : {"safe_point", "place_of_last_resort"}
    ways : tuple of {"tow", "car", "foot"}
        Which ways of leaving may end here.
    """

    name: str
    lon_deg: float
    lat_deg: float
    kind: Literal["safe_point", "place_of_last_resort"]
    ways: tuple[Way, ...]


@dataclass(frozen=True)
class Home:
    """Where the household starts from (WGS 84)."""

    lon_deg: float
    lat_deg: float


@dataclass(frozen=True)
class House:
    """What the owner states of the house, for the last resort only.

    Attributes
    ----------
    heat_limit_kw_m2 : float or None
        Radiant heat in kW/m2 that the owner states the house was built for; None when nothing is stated.
    clear_m : float or None
        Distance in metres from the house to unmanaged vegetation; None when nothing is stated.
    """

    heat_limit_kw_m2: float | None = None
    clear_m: float | None = None


@dataclass(frozen=True)
class Towing:
    """The speed in m/s that the household will not exceed with the house on."""

    speed_limit_m_s: float


@dataclass(frozen=True)
class RoadsInput:
    """The road extract and when a stretch of it counts as shut.

    Attributes
    ----------
    file : Path
    standoff_m : float
        A stretch is shut once fire is this near to any part of it, metres.
    smoke_lead_s : float
        And this long before that, seconds.
    region : str
        Country, or country and state (ISO 3166), whose road rules hold where the extract says nothing: "AU", "AU-NSW".
    open_gates : tuple of str
        Ways of the extract whose gate the household may open.
    """

    file: Path
    standoff_m: float
    smoke_lead_s: float
    open_gates: tuple[str, ...] = ()
    region: str = "AU"


@dataclass(frozen=True)
class TerrainInput:
    """The terrain file and, if stated, the cell of the analysis grid in metres."""

    file: Path
    cell_m: float | None = None


@dataclass(frozen=True)
class FuelInput:
    """Fuel from a raster with a legend, from polygons with a column, or one type for all.

    Exactly one of `file` and `type` is set.
    """

    file: Path | None = None
    legend: Path | None = None
    column: str | None = None
    type: str | None = None


@dataclass(frozen=True)
class WeatherInput:
    """The weather file and how to read it.

    Attributes
    ----------
    drought_factor : float
        0 to 10; 10 (the driest) when the plan does not say.
    use_gusts : bool
        Drive the fire by the gusts instead of the mean wind.
    fill_gaps : bool
        Whether gaps may be filled at all.
    """

    file: Path
    drought_factor: float = 10.0
    use_gusts: bool = False
    fill_gaps: bool = False


@dataclass(frozen=True)
class FireInput:
    """Which rate-of-spread equations take part, and what is set by hand.

    Attributes
    ----------
    models : tuple of str
        The fastest governs.
    floor_m_s : float or None
        Head rate of spread on the flat never below this in burnable fuel.
    set_m_s : float or None
        The whole head rate of spread by hand.
    what_if_m_s : tuple of float
        Head rates of spread for which the sheet also shows the leave-by.
    """

    models: tuple[str, ...]
    floor_m_s: float | None = None
    set_m_s: float | None = None
    what_if_m_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class IgnitionInput:
    """A point, a line or a closed perimeter that burns from `at` on.

    Attributes
    ----------
    at : datetime
        With UTC offset.
    lon_lat_deg : tuple of (float, float)
        One point: a point; several: a line, or with `ring` a closed perimeter (the first point is not repeated).
    somewhere : bool
        The fire starts at one unknown point of the line, or within the ring; each member has its own.
    unseen_up_to_s : float
        The fire may have burnt unseen for up to this long before `at`, seconds; each member has its own.
    """

    name: str
    at: datetime
    lon_lat_deg: tuple[tuple[float, float], ...]
    ring: bool = False
    somewhere: bool = False
    unseen_up_to_s: float = 0.0


@dataclass(frozen=True)
class Household:
    """The part of a plan that says how long the household needs: who, with what, and what there is to do."""

    people: tuple[Person, ...]
    tasks: tuple[Task, ...]
    vehicles: tuple[Vehicle, ...] = ()
    animals: tuple[Animal, ...] = ()


@dataclass(frozen=True)
class Plan:
    """A whole plan file in SI units. Field names are those of the file's sections.

    Attributes
    ----------
    name : str
    confidence : float
        Share of members that have to be clear, 0.5 to 0.999.
    margin_s : float
        Kept between the household and the closing of every stretch, seconds.
    members, seed : int
    members_at_most : int
        Where a precision is asked for, members are added up to this number.
    precision_s : float or None
        Half the width of the interval within which the leave-by is wanted, seconds; None: as many as `members`.
    horizon_s : float
        How far the computation looks from the start of the scenario, seconds.
    durations : {"beta_pert", "triangular"}
    season_starts : (month, day) or None
        When the local fire danger period begins; for the yearly reminders only.
    assumptions : tuple of str
        Sentences: everything that the plan left open and that a default filled, if it could save minutes.
    where : str
        The file that the plan was read from, for messages.
    """

    name: str
    confidence: float
    margin_s: float
    members: int
    seed: int
    horizon_s: float
    durations: Durations
    home: Home
    people: tuple[Person, ...]
    tasks: tuple[Task, ...]
    safe_points: tuple[SafePoint, ...]
    roads: RoadsInput
    terrain: TerrainInput
    fuel: FuelInput
    weather: WeatherInput
    fire: FireInput
    ignitions: tuple[IgnitionInput, ...]
    house: House = House()
    animals: tuple[Animal, ...] = ()
    vehicles: tuple[Vehicle, ...] = ()
    towing: Towing | None = None
    assumptions: tuple[str, ...] = ()
    where: str = "plan"
    members_at_most: int = 2000
    precision_s: float | None = None
    season_starts: tuple[int, int] | None = None

    @property
    def household(self) -> Household:
        """The people, animals, vehicles and tasks of this plan."""
        return Household(people=self.people, tasks=self.tasks, vehicles=self.vehicles, animals=self.animals)

    @property
    def starts_at(self) -> datetime:
        """When the scenario starts: the earliest ignition. Times in seconds count from here."""
        return min(ignition.at for ignition in self.ignitions)


def arrival_faults(people: Sequence[Person]) -> list[Fault]:
    """Find people whose three points of arrival are not in rising order from 0.

    Examples
    --------
    >>> arrival_faults([Person("Ines"), Person("Bo", arrives_after_s=60.0, arrives_soonest_s=90.0)])[0].wrong
    'comes home after 90, 60, 60 s'
    """
    return [
        Fault(
            f'person "{person.name}"',
            "comes home after " + ", ".join(f"{point_s:g}" for point_s in person.arrival_points_s) + " s",
            "0 <= soonest <= likely <= latest",
            "correct the three arrivals",
        )
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


def skill_word(text: str) -> str:
    """Give the one form of a word for what someone can do: capitals and spaces make no other word of it.

    Examples
    --------
    >>> skill_word(" Lift "), skill_word("back  a trailer")
    ('lift', 'back a trailer')
    """
    return " ".join(text.split()).casefold()


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
    """Find the trailer, or None.

    Examples
    --------
    >>> trailer(Household(people=(), tasks=())) is None
    True
    """
    return next((vehicle for vehicle in household.vehicles if vehicle.kind == "trailer"), None)


def towing_car(household: Household | Plan) -> Vehicle | None:
    """Find the car that tows the trailer, or None when there is no trailer or no such car.

    Examples
    --------
    >>> ute = Vehicle("ute", "car", width_m=1.9, height_m=1.9, length_m=5.4, mass_kg=2400.0)
    >>> house = Vehicle("house", "trailer", width_m=2.5, height_m=4.2, length_m=8.4, mass_kg=3400.0, towed_by="ute")
    >>> towing_car(Household(people=(), tasks=(), vehicles=(ute, house))).name
    'ute'
    """
    house = trailer(household)
    if house is None:
        return None
    return next((car for car in household.vehicles if car.kind == "car" and car.name == house.towed_by), None)


def why_no_way(household: Household | Plan, way: Way) -> str | None:
    """Say why a way of leaving isn't one for this household, or None when it is.

    Leaving on foot always counts as a way; where it leads is for the roads to say.

    Parameters
    ----------
    household : Household or Plan
    way : {"tow", "car", "foot"}

    Returns
    -------
    str or None
        A sentence, or None.

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

    Parameters
    ----------
    household : Household or Plan

    Returns
    -------
    tuple of {"tow", "car", "foot"}
        In this order.

    Examples
    --------
    >>> ute = Vehicle("ute", "car", width_m=1.9, height_m=1.9, length_m=5.4, mass_kg=2400.0, seats=5)
    >>> ways(Household(people=(Person("Ines", can=("drive",)),), tasks=(), vehicles=(ute,)))
    ('car', 'foot')
    """
    return tuple(way for way in WAYS if why_no_way(household, way) is None)


def tasks_for(household: Household | Plan, way: TaskWay) -> tuple[Task, ...]:
    """Pick the tasks that have to be done today for one way, in the order of the plan.

    Tasks that are already done, or that are not for this way, drop out; what was to wait for them waits for what they
    were to wait for, so that no order is lost.

    Parameters
    ----------
    household : Household or Plan
    way : {"tow", "car", "foot", "shelter"}

    Returns
    -------
    tuple of Task
        With `after` holding names of these tasks only.

    Raises
    ------
    InputError
        When `way` is none of the four.

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
