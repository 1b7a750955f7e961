"""The nouns of the community question: what is asked, and of its answer, what `survey` makes and `show` lays out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from leaveby import parameters
from leaveby.regions import measures_of
from leaveby.roads.clearance.queue import MOBILISATIONS, Mobilisation
from leaveby.roads.exits.facts import GroupFacts
from leaveby.roads.exits.groups import Difference, SingleExits
from leaveby.roads.exits.homes import PlacedHomes
from leaveby.roads.exits.link_candidates import Elevation
from leaveby.roads.exits.links import Link
from leaveby.roads.exits.street_table import StreetTable
from leaveby.roads.osm.access_rules import DEFAULT_RULES, AccessRule, Comparison
from leaveby.units import Measures


@dataclass(frozen=True)
class SurveyOptions:
    """What a survey supposes and looks for.

    - `people_per_home`, `vehicles_per_home`: stated factors.
    - `rules`: names of access rules to hold against each group, see `leaveby.roads.osm.access_rules.RULES`.
    - `parcel_acres`: smallest parcel, for rules that go by it; where left out their shortest limit is taken.
    - `link_within_m`: longest straight line of a link to build.
    - `link_steepest`: steepest slope of the ground under it, rise over run.
    - `links`: how many links to list; 0 for none.
    - `clearance_groups`: for how many of the largest groups clearance is computed; 0 for none.
    - `clearance_homes`: least homes of a group for that.
    - `mobilisations`: when people get going: the range that is shown.
    - `told_s`: moments when people are told to leave, for the count of those who are not out when the exit shuts.
    - `region`: country and state, for legal speeds, and to tell which rules are not local.
    """

    people_per_home: float = parameters.PEOPLE_PER_HOME.value
    vehicles_per_home: float = parameters.VEHICLES_PER_HOME.value
    rules: tuple[str, ...] = DEFAULT_RULES
    parcel_acres: float | None = None
    link_within_m: float = parameters.LINK_WITHIN_M.value
    link_steepest: float = parameters.LINK_STEEPEST.value
    links: int = 10
    clearance_groups: int = 30
    clearance_homes: float = 5.0
    mobilisations: tuple[Mobilisation, ...] = MOBILISATIONS
    told_s: tuple[float, ...] = tuple(900.0 * step for step in range(13))
    region: str = "AU"


@dataclass(frozen=True, eq=False)
class StreetQuestion:
    """What is asked about a community.

    - `streets`: with m streets.
    - `exits`: junctions that count as out.
    - `maybe`: junctions from which a road that the edge of the map cuts goes on to somewhere unknown. Both is computed,
      that none of them leads out and that all do.
    - `elevation`: height in m at (x_m, y_m), for the slope under links to build.
    - `closing_s`, shape (m,): when each street shuts in a fire scenario, from the moment zero that `options.told_s`
      counts from.
    - `outline`: outline of what the map holds.
    - `supposed`: sentences to list with the assumptions.
    - `from_osm`: whether the roads came from OpenStreetMap, whose notice then stands on everything.
    - `credits`: few words and notice of other data beside them.
    - `inputs`: files and versions, for the record.
    """

    streets: StreetTable
    homes: PlacedHomes
    exits: NDArray[np.int32]
    maybe: NDArray[np.int32] = field(default_factory=lambda: np.zeros(0, dtype=np.int32))
    options: SurveyOptions = field(default_factory=SurveyOptions)
    elevation: Elevation | None = None
    closing_s: NDArray[np.float64] | None = None
    outline: BaseGeometry | None = None
    supposed: tuple[str, ...] = ()
    from_osm: bool = True
    credits: tuple[tuple[str, str], ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class ClearedBy:
    """How one mobilisation curve lets a group out.

    - `last_out_s`, `ninety_out_s`: after being told to leave.
    - `most_waiting_veh`: longest queue, on the streets and in drives.
    - `not_out`: moment of being told, vehicles that are not out when the exit shuts; empty without a fire scenario.
    """

    curve: Mobilisation
    last_out_s: float
    ninety_out_s: float
    most_waiting_veh: float
    not_out: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class Pinch:
    """What everyone of a group must pass.

    - `name`: what people call the street, or the junction; of several alike the inner ones say which part.
    - `x_m`, `y_m`: its outer end.
    """

    kind: Literal["street", "junction"]
    name: str
    x_m: float
    y_m: float


@dataclass(frozen=True, eq=False)
class StreetGroup(Pinch):
    """Homes that share a single exit.

    - `number`: from 1: the short list first, most homes first.
    - `streets_behind`: names of the other streets behind it; for the short list.
    - `row`: its row in `StreetSurvey.found` and `facts`.
    - `homes`, `people`, `vehicles`: where roads that the edge of the map cuts may lead out: the most, if none of them
      does.
    - `inside`: number of the next larger notable group that this one lies in.
    - `notable`: whether it stands in the short list: not nearly the same homes as the one it lies in.
    - `certain`: homes that must pass what the group is named after even if all roads that the edge of the map cuts lead
      out.
    - `comparisons`: where it is longer (narrower, steeper, more) than a rule.
    - `clearance`: for each mobilisation curve; empty where it was not computed.
    - `shuts_s`: when the way shuts in the fire scenario; inf when not within the horizon or without a scenario.
    """

    number: int
    streets_behind: tuple[str, ...]
    row: int
    homes: float
    people: float
    vehicles: float
    inside: int | None
    notable: bool
    certain: float
    comparisons: tuple[Comparison, ...] = ()
    clearance: tuple[ClearedBy, ...] = ()
    shuts_s: float = math.inf


@dataclass(frozen=True)
class LengthGroup(Pinch):
    """Residential streets that share a single exit, whoever lives on them.

    - `streets_m`: length of residential street behind it, wherever the roads lead that the edge of the map cuts.
    - `homes`: homes that are mapped behind it.
    """

    streets_m: float
    homes: float


@dataclass(frozen=True)
class Balance:
    """Where each home is counted: homes in = homes out.

    - `homes`: all that were given.
    - `with_choice`: no single street or junction lies on all their ways out.
    - `behind_exit`: belong to a group, wherever the roads lead that the edge of the map cuts.
    - `depends`: have more ways, or any, only if roads lead out that the edge of the map cuts.
    - `no_way_out`: on streets from which no exit can be reached by car.
    - `not_placed`: too far from every street.
    - `outside_area`: beyond the area asked about, where they were left out.
    """

    homes: float
    with_choice: float
    behind_exit: float
    no_way_out: float
    not_placed: float
    depends: float = 0.0
    outside_area: float = 0.0


@dataclass(frozen=True)
class AfterLink:
    """What the best link would change, computed anew with it in place.

    - `behind_exit_before`, `behind_exit`: homes that belong to a group, before and after.
    - `largest_before`, `largest`: homes of the largest group that has to pass one street, before and after.
    - `links`: the links that would then help most.
    """

    behind_exit_before: float
    behind_exit: float
    largest_before: float
    largest: float
    links: tuple[Link, ...]


@dataclass(frozen=True, eq=False)
class StreetSurvey:
    """The answer to the community question.

    - `groups`: all of them, in the order of their numbers.
    - `links`, `link_ends`: most homes relieved first; names of the streets that each joins, as far as they have any.
    - `after_best`: with the first of them in place.
    - `maybe`: junctions from which a road goes on, cut by the edge of the map, to somewhere unknown.
    - `if_they_lead_on`: what is found if all of those are ways out; None where there are none.
    - `residential_m`: length of all residential streets.
    - `few_homes`: whether too few homes are mapped for that length: then no count of homes says how many there are.
    - `by_length`: where homes seem to be missing, the longest first: all of the short list where `few_homes`, else
      those with too few homes for their length.
    - `rules`: that were held against the groups.
    - `from_osm`, `credits`, `inputs`: as they were given.
    """

    streets: StreetTable
    homes: PlacedHomes
    found: SingleExits
    facts: GroupFacts
    groups: tuple[StreetGroup, ...]
    links: tuple[Link, ...]
    link_ends: tuple[tuple[str, ...], ...]
    after_best: AfterLink | None
    balance: Balance
    rules: tuple[AccessRule, ...]
    options: SurveyOptions
    maybe: NDArray[np.int32]
    if_they_lead_on: SingleExits | None = None
    residential_m: float = 0.0
    few_homes: bool = False
    by_length: tuple[LengthGroup, ...] = ()
    from_osm: bool = True
    credits: tuple[tuple[str, str], ...] = ()
    assumptions: tuple[str, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)

    @property
    def measures(self) -> Measures:
        """The units that people read in the region asked for."""
        return measures_of(self.options.region)

    @property
    def notable(self) -> tuple[StreetGroup, ...]:
        """The short list: groups that are not nearly the same as the one they lie in."""
        return tuple(group for group in self.groups if group.notable)

    @property
    def differences(self) -> tuple[Difference, ...]:
        """Streets that everyone behind must pass though the undirected streets have another way."""
        return self.found.differences
