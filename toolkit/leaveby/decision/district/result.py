"""The nouns of the district's question: what is asked, and of its answer, what is worked out and `show` lays out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.district.queues import Queues, SettingOut
from leaveby.decision.district.roads import DistrictRoads
from leaveby.decision.ways.result import Verdict
from leaveby.roads.exits.links import Link
from leaveby.units import METRIC, Measures

Help = Literal["second exit", "cleared verge", "earlier siren", "bus"]


@dataclass(frozen=True)
class HelpAsked:
    """What might give more time, and how much of it is looked at.

    - `siren_s`: by how much sooner people hear of a fire.
    - `verge_m`: by how much less fire has to keep off a road whose verge is cleared.
    - `bus_share`: of the homes that leave by bus, so that their vehicles stay out of the queues.
    - `links`: the second exits that are looked at, one by one.
    """

    siren_s: float = 600.0
    verge_m: float = 50.0
    bus_share: float = 0.3
    links: tuple[Link, ...] = ()


@dataclass(frozen=True, eq=False)
class Need:
    """What the household that stands for all needs from the start of a fire until it rolls, as equally likely times.

    - `learns_s`, `ready_s`: rising: until it knows of the fire and has decided, and from then until it rolls.
    - `said`: where the times come from.
    """

    learns_s: NDArray[np.float64]
    ready_s: NDArray[np.float64]
    said: str = ""


@dataclass(frozen=True)
class RatingAsked:
    """A rating: whether it tells people to leave by itself, and the worst wind of its day, m/s."""

    name: str
    told: bool
    wind_m_s: float


@dataclass(frozen=True, eq=False)
class DistrictQuestion:
    """What is asked of a district, beside what its fires are made of.

    - `fires`: of each rating. Fire number i belongs to rating i % r and is the (i // r)-th of it: the same start, hour,
      wind and errors under every rating.
    - `streets`: what each street with homes is called; `street_of`, shape (h,): the one of each home.
    - `setting_out`: how its people set out, from which `queues` come.
    - `left_out`: homes off the ground or far from every street; `no_way_out`: names of those without a way out.
    """

    name: str
    seed: int
    fires: int
    hours: tuple[int, ...]
    ratings: tuple[RatingAsked, ...]
    confidence: float
    allowed_share: float
    horizon_s: float
    need: Need
    help: HelpAsked
    roads: DistrictRoads
    streets: tuple[str, ...]
    street_of: NDArray[np.int64]
    setting_out: SettingOut
    queues: Queues
    people_per_home: float
    vehicles_per_home: float
    left_out: float = 0.0
    no_way_out: tuple[str, ...] = ()
    measures: Measures = METRIC
    assumptions: tuple[str, ...] = ()
    from_osm: bool = True
    credits: tuple[tuple[str, str], ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Number of fires in all."""
        return self.fires * len(self.ratings)


def not_counted(left_out: float, no_way_out: int) -> list[str]:
    """Say which homes are in no count.

    >>> not_counted(0.0, 1)
    ['1 home has no way out by car on this map and is in no count: find out why.']
    """
    one, more = ("home has", "lies", "is"), ("homes have", "lie", "are")
    has, _, lost = one if no_way_out == 1 else more
    _, lies, off = one if left_out == 1.0 else more
    told = {
        f"{no_way_out} {has} no way out by car on this map and {lost} in no count: find out why.": no_way_out,
        f"{left_out:g} home{'s' * (off == 'are')} {lies} off the terrain, or far from every street, and {off} in no "
        "count.": left_out,
    }
    return [line for line, count in told.items() if count]


@dataclass(frozen=True, eq=False)
class Columns:
    """What all fires left behind, each at its number: arrays in memory or on disk.

    - `latest_s`, `shuts`, shape (fires, h): see `decision.district.fires.FireRow`.
    - `streets_s`, shape (fires, columns, streets); `names`: of the columns.
    - `wind_from`, shape (fires,): quarter that was drawn for the wind, north 0; -1 where it is the day's own.
    """

    latest_s: NDArray[np.float32]
    shuts: NDArray[np.int32]
    streets_s: NDArray[np.float32]
    wind_from: NDArray[np.int64]
    names: tuple[str, ...]


@dataclass(frozen=True)
class AtRating:
    """What the fires of one rating leave a home or a street.

    - `alone_s`, `latest_s`: seconds after a fire starts by which to roll so that the asked share of fires leaves a
      way open: with nobody else on the road, and with the queue; inf where fire shuts nothing in that share.
    - `share_alone`, `share`: of the fires that leave less than the household needs; `share` at the worst hour.
    - `verdict`: the rule for days of the rating, by the same share as a household's own.
    """

    alone_s: float
    latest_s: float
    share_alone: float
    share: float
    verdict: Verdict


@dataclass(frozen=True)
class HomeTimes:
    """A home, its street, and what the fires of each rating leave it.

    `wait_s` is the longest in queues; `shuts_first` is "" where nothing shuts.
    """

    identity: str
    street: str
    x_m: float
    y_m: float
    dwellings: float
    wait_s: float
    shuts_first: str
    ratings: tuple[AtRating, ...]


@dataclass(frozen=True)
class Gain:
    """What a measure gives a street, on the same fires: seconds to spare, and the share of fires that is left.

    - `gain_s`, by rating: by how much the time to spare at the confidence rises; inf where fire shuts nothing then.
    - `share`, by rating: of the fires that leave less than needed, with the measure.
    - `number`: of the second exit, from 0.
    """

    what: Help
    gain_s: tuple[float, ...]
    share: tuple[float, ...]
    number: int = 0


@dataclass(frozen=True)
class StreetTimes:
    """A street: the household on it that has least time stands for all.

    - `from_rating`: lowest rating from which on the rule is "the evening before"; None where none is.
    """

    name: str
    homes: float
    people: float
    x_m: float
    y_m: float
    shuts_first: str
    ratings: tuple[AtRating, ...]
    from_rating: str | None
    sentence: str
    gains: tuple[Gain, ...]


@dataclass(frozen=True)
class CutOff:
    """A street at which fire cuts people off before they are through: how many, by rating, over all fires and at most.

    - `people`: on average over a rating's fires, of those for whom this street shuts too soon.
    - `most`: in the fire that cuts off most.
    """

    street: str
    x_m: float
    y_m: float
    people: tuple[float, ...]
    most: float


@dataclass(frozen=True, eq=False)
class DistrictSurvey:
    """The answer: homes in the order in which they have to go, streets likewise, and where fire cuts off most people.

    - `columns`: what its fires left behind, to look at them otherwise.
    - `error`: the half-width of a 95 % interval of a share of one half, by the fires of one rating and hour.
    """

    question: DistrictQuestion
    columns: Columns
    homes: tuple[HomeTimes, ...]
    streets: tuple[StreetTimes, ...]
    cut_off: tuple[CutOff, ...]
    error: float

    @property
    def measures(self) -> Measures:
        """The units that people read in the region."""
        return self.question.measures

    @property
    def from_osm(self) -> bool:
        """Whether OpenStreetMap's notice is due."""
        return self.question.from_osm

    @property
    def credits(self) -> tuple[tuple[str, str], ...]:
        """Few words and notice of other data."""
        return self.question.credits
