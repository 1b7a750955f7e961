"""Published access rules, chosen by name, each with its source: what a single exit is longer, narrower or steeper than.

A rule is held against what the map says and nothing more: whether it applies to a street, and what it asks of one that
was there before it, is for the local authority. So a comparison says "longer than the rule", never "against the law".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from leaveby.errors import Fault, InputError, refuse
from leaveby.parameters import Mark

METRES_PER_FOOT: Final = 0.3048
"""Exact (international yard and pound agreement, 1959)."""

Measure = Literal["ways_out", "dead_end", "all_streets", "width", "grade", "turnaround"]

INFINITE: Final = float("inf")


@dataclass(frozen=True)
class Step:
    """One step of a rule: up to this much of what it goes by, the limit is this.

    Attributes
    ----------
    up_to : float
        Greatest value that the step covers: households, acres of the smallest parcel, or metres of dead end.
    limit : float
        Ways out, or metres, or rise over run; inf where the rule sets none.
    printed : str
        As printed.
    """

    up_to: float
    limit: float
    printed: str


@dataclass(frozen=True)
class AccessRule:
    """One published rule.

    Attributes
    ----------
    name : str
        To choose it by.
    title : str
        What it is.
    measure : str
        What it limits: `ways_out` (the least number, by households), `dead_end` (its length), `all_streets` (dead end
        with all its branches added up, by parcel size), `width` (the least), `grade` (the greatest), `turnaround`
        (length from which one is asked for).
    steps : tuple of Step
        In rising order of `up_to`.
    source : str
    mark : str
        `read` or `memory`, as in `leaveby.parameters`. A remembered value is never called read.
    note : str
        What the comparison leaves out.
    """

    name: str
    title: str
    measure: Measure
    steps: tuple[Step, ...]
    source: str
    mark: Mark
    note: str = ""


def _feet(value: float) -> float:
    return value * METRES_PER_FOOT


def _dead_ends(limits_ft: Sequence[tuple[float, float]]) -> tuple[Step, ...]:
    return tuple(
        Step(acres, _feet(feet), f"{feet:,.0f} ft" if feet < INFINITE else "no limit") for acres, feet in limits_ft
    )


_CALIFORNIA: Final = "14 CCR 1273 as copied in Butte County Code 20-133 and at firesaferoadregs.org"
_DEL_NORTE: Final = "Del Norte County Code, sections 19.08.020, 19.08.060 and 19.08.090 (ccode.dnco.org)"
_IFC: Final = "International Fire Code, Table D103.4, as in a Kittitas County record and one local copy"

RULES: Final[Mapping[str, AccessRule]] = {
    rule.name: rule
    for rule in (
        AccessRule(
            "california_1273_dead_end",
            "California fire safe regulations: longest dead-end road, by smallest parcel",
            "all_streets",
            _dead_ends([(1.0, 800.0), (5.0, 1320.0), (20.0, 2640.0), (INFINITE, 5280.0)]),
            _CALIFORNIA,
            "read",
            "All dead ends on a dead end are added up, and where parcel sizes mix the shortest limit rules.",
        ),
        AccessRule(
            "del_norte_dead_end",
            "Del Norte County: longest dead-end road, by smallest parcel",
            "all_streets",
            _dead_ends(
                [(1.0, 800.0), (5.0, 1350.0), (20.0, 2640.0), (40.0, 5280.0), (160.0, 7500.0), (INFINITE, INFINITE)]
            ),
            _DEL_NORTE,
            "read",
            "Prints 1,350 ft for 1 to 4.99 acres where copies of the state text print 1,320 ft.",
        ),
        AccessRule(
            "california_width",
            "California fire safe regulations: two 10-foot lanes",
            "width",
            (Step(INFINITE, _feet(20.0), "20 ft"),),
            "Del Norte County Code 19.08.020 (ccode.dnco.org); firesaferoadregs.org",
            "read",
        ),
        AccessRule(
            "california_grade",
            "California fire safe regulations: steepest road",
            "grade",
            (Step(INFINITE, 0.16, "16 percent, 20 with mitigation"),),
            "firesaferoadregs.org",
            "read",
            "The grade here comes from the terrain and is rough.",
        ),
        AccessRule(
            "ifc_d107_ways_out",
            "International Fire Code D107.1: one- and two-family dwellings on one access road",
            "ways_out",
            (Step(30.0, 1.0, "30 dwellings"), Step(INFINITE, 2.0, "more than 30 dwellings")),
            "thebuildingcodeforum.com, on the 2006 International Fire Code, Appendix D",
            "read",
            "Has an exception where all dwellings have sprinklers.",
        ),
        AccessRule(
            "ifc_d103_dead_end",
            "International Fire Code D103.4: dead-end access road without special approval",
            "dead_end",
            (Step(INFINITE, _feet(750.0), "750 ft"),),
            _IFC,
            "read",
        ),
        AccessRule(
            "ifc_d103_width",
            "International Fire Code D103.4: width of a dead-end access road, by its length",
            "width",
            (
                Step(_feet(500.0), _feet(20.0), "20 ft up to 500 ft"),
                Step(_feet(750.0), _feet(26.0), "26 ft from 501 to 750 ft"),
                Step(INFINITE, _feet(26.0), "26 ft, and special approval above 750 ft"),
            ),
            _IFC,
            "read",
        ),
        AccessRule(
            "ifc_d103_turnaround",
            "International Fire Code D103.4: dead end that needs a turnaround",
            "turnaround",
            (Step(INFINITE, _feet(150.0), "150 ft"),),
            _IFC,
            "read",
            "120 ft hammerhead, 60 ft Y or 96 ft circle; whether there is one is not on the map.",
        ),
        AccessRule(
            "iwuic_403_turnaround",
            "International Wildland-Urban Interface Code 403.3: dead end that needs a turnaround",
            "turnaround",
            (Step(INFINITE, _feet(150.0), "150 ft"),),
            "2015 International Wildland-Urban Interface Code, page 31",
            "read",
            "Whether there is one is not on the map.",
        ),
        AccessRule(
            "nfpa_1141_ways_out",
            "NFPA 1141: access routes by number of households",
            "ways_out",
            (
                Step(100.0, 1.0, "1 for 0 to 100 households"),
                Step(600.0, 2.0, "2 for 101 to 600"),
                Step(INFINITE, 3.0, "3 above 600"),
            ),
            "NFPA 1141 and 1140; from memory, not read",
            "memory",
        ),
        AccessRule(
            "cova_2005_ways_out",
            "Cova 2005, proposed exits by number of households",
            "ways_out",
            (
                Step(50.0, 1.0, "1 for 1 to 50 households"),
                Step(300.0, 2.0, "2 for 51 to 300"),
                Step(600.0, 3.0, "3 for 301 to 600"),
                Step(INFINITE, 4.0, "4 above 600"),
            ),
            "Cova 2005, Natural Hazards Review 6:99-108, of which only the abstract was seen; the numbers from memory",
            "memory",
            "A proposal, not a code.",
        ),
        AccessRule(
            "nsw_pbp_2019_dead_end",
            "New South Wales, Planning for Bush Fire Protection 2019: dead-end road",
            "dead_end",
            (Step(INFINITE, 200.0, "200 m"),),
            "Planning for Bush Fire Protection 2019; from memory, not read",
            "memory",
            "Asks for a turning circle of 12 m outer radius as well.",
        ),
        AccessRule(
            "nsw_pbp_2019_width",
            "New South Wales, Planning for Bush Fire Protection 2019: roads other than perimeter roads",
            "width",
            (Step(INFINITE, 5.5, "5.5 m kerb to kerb"),),
            "Planning for Bush Fire Protection 2019; from memory, not read",
            "memory",
        ),
        AccessRule(
            "victoria_5302_width",
            "Victoria planning scheme, clause 53.02 Table 5: access longer than 30 m",
            "width",
            (Step(30.0, 0.0, "no width up to 30 m"), Step(INFINITE, 3.5, "3.5 m trafficable")),
            "Victoria planning scheme, clause 53.02; from memory, not read",
            "memory",
        ),
        AccessRule(
            "victoria_5302_grade",
            "Victoria planning scheme, clause 53.02 Table 5: grade of access",
            "grade",
            (Step(INFINITE, 0.20, "average 14.4 percent, 20 percent for 50 m"),),
            "Victoria planning scheme, clause 53.02; from memory, not read",
            "memory",
            "The steeper limit, for 50 m, is compared with the steepest stretch, which is rough.",
        ),
        AccessRule(
            "victoria_5302_turnaround",
            "Victoria planning scheme, clause 53.02 Table 5: access that needs a turning area",
            "turnaround",
            (Step(INFINITE, 100.0, "100 m"),),
            "Victoria planning scheme, clause 53.02; from memory, not read",
            "memory",
            "Turning circle of 8 m radius, T or Y; whether there is one is not on the map.",
        ),
    )
}
"""All rules by name."""

DEFAULT_RULES: Final = ("california_1273_dead_end", "ifc_d107_ways_out", "nfpa_1141_ways_out")
"""Held against every group when none are named: the length of the dead end, and the number of ways out."""


@dataclass(frozen=True)
class Comparison:
    """A rule held against one group of homes.

    Attributes
    ----------
    rule : AccessRule
    measured, limit : float
        In the rule's measure, SI.
    sentence : str
        What a person is told.
    """

    rule: AccessRule
    measured: float
    limit: float
    sentence: str


@dataclass(frozen=True)
class Measured:
    """What rules are held against, of one group.

    Attributes
    ----------
    homes : float
        Dwellings behind the one way out.
    dead_end_m, streets_m : float
        Longest dead end; all streets behind added up.
    narrowest_m : float
        Least stated width; inf where none is stated.
    steepest : float
        Rise over run; -inf where it is not known.
    """

    homes: float
    dead_end_m: float
    streets_m: float
    narrowest_m: float = INFINITE
    steepest: float = -INFINITE


def choose_rules(names: Sequence[str]) -> tuple[AccessRule, ...]:
    """Take rules by their names.

    Raises
    ------
    InputError
        Naming every unknown rule.

    Examples
    --------
    >>> [rule.mark for rule in choose_rules(["ifc_d107_ways_out", "cova_2005_ways_out"])]
    ['read', 'memory']
    >>> choose_rules(["no_such_rule"])
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: rules: there is no rule 'no_such_rule'. Expected ...
    """
    known = ", ".join(sorted(RULES))
    faults = [
        Fault("rules", f"there is no rule {name!r}", f"some of {known}", "correct the name")
        for name in names
        if name not in RULES
    ]
    if faults:
        raise InputError(faults)
    return tuple(RULES[name] for name in dict.fromkeys(names))


def limit_of(rule: AccessRule, by: float) -> Step:
    """Find the step of a rule for a number of households, acres or metres.

    Steps by parcel size hold below their bound (a parcel of exactly 1 acre has the limit of 1 to 4.99 acres); the
    others up to it.

    Raises
    ------
    InputError
        When the number is missing or negative.

    Examples
    --------
    >>> round(limit_of(RULES["california_1273_dead_end"], 0.5).limit, 2)
    243.84
    >>> limit_of(RULES["nfpa_1141_ways_out"], 101.0).limit
    2.0
    """
    if not by >= 0.0:
        raise refuse(rule.name, f"it was asked for {by}", expected="0 or more", mend="correct the number")
    for step in rule.steps:
        if by < step.up_to or (rule.measure != "all_streets" and by == step.up_to) or step.up_to == INFINITE:
            return step
    return rule.steps[-1]


def compare(rule: AccessRule, measured: Measured, *, parcel_acres: float | None = None) -> Comparison | None:
    """Hold a rule against a group; nothing where it lies within the rule or the map does not say.

    Parameters
    ----------
    rule : AccessRule
    measured : Measured
    parcel_acres : float, optional
        Smallest parcel on the streets; where it is not known the shortest limit is taken.

    Examples
    --------
    >>> group = Measured(homes=85.0, dead_end_m=900.0, streets_m=1500.0)
    >>> compare(RULES["ifc_d107_ways_out"], group).sentence
    '85 homes on one way out: more than the rule has for one (30 dwellings).'
    >>> compare(RULES["california_1273_dead_end"], group).sentence
    '1,500 m of dead end: longer than the rule for parcels of unknown size (800 ft, 244 m).'
    >>> compare(RULES["california_width"], group) is None
    True
    """
    match rule.measure:
        case "ways_out":
            step = limit_of(rule, measured.homes)
            if step.limit <= 1.0:
                return None
            one = max((item for item in rule.steps if item.limit <= 1.0), key=lambda item: item.up_to)
            words = f"{measured.homes:g} homes on one way out: more than the rule has for one ({one.printed})."
            return Comparison(rule, measured.homes, one.up_to, words)
        case "all_streets":
            step = limit_of(rule, 0.0 if parcel_acres is None else parcel_acres)
            size = "of unknown size" if parcel_acres is None else f"of {parcel_acres:g} acres"
            return _above(rule, measured.streets_m, step, f"m of dead end: longer than the rule for parcels {size}")
        case "dead_end":
            step = limit_of(rule, measured.dead_end_m)
            return _above(rule, measured.dead_end_m, step, "m of dead end: longer than the rule")
        case "turnaround":
            step = limit_of(rule, measured.dead_end_m)
            return _above(rule, measured.dead_end_m, step, "m of dead end: so long that the rule asks for a turnaround")
        case "width":
            step = limit_of(rule, measured.dead_end_m)
            if not measured.narrowest_m < step.limit:
                return None
            words = f"{measured.narrowest_m:g} m wide: narrower than the rule ({step.printed})."
            return Comparison(rule, measured.narrowest_m, step.limit, words)
        case "grade":
            step = rule.steps[-1]
            if not measured.steepest > step.limit:
                return None
            words = f"grade of {100.0 * measured.steepest:.0f} %: steeper than the rule ({step.printed})."
            return Comparison(rule, measured.steepest, step.limit, words)


def _above(rule: AccessRule, length_m: float, step: Step, words: str) -> Comparison | None:
    if length_m <= step.limit:
        return None
    metres = "" if step.printed.endswith(" m") else f", {step.limit:.0f} m"
    return Comparison(rule, length_m, step.limit, f"{length_m:,.0f} {words} ({step.printed}{metres}).")
