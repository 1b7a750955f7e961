"""The household question, answered: by when to be rolling, for each way of leaving, and where the fire may be then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.closing import StretchCells, closing_times, select, stretch_cells
from leaveby.decision.confidence import latest_at_confidence
from leaveby.decision.last_resort import last_resort_side, refuge_place, refuge_routes
from leaveby.decision.members import Draws, MemberFires, draw_members, first_draws, run_members
from leaveby.decision.result import (
    WAY_WORDS,
    FireSummary,
    HouseholdResult,
    OfficialWarning,
    TimetableRow,
    TriggerLine,
    WayTiming,
    WhatIf,
)
from leaveby.decision.scenario import (
    CENTRAL_Z,
    FireChoice,
    HouseholdInputs,
    Scenario,
    member_table,
    plans_choice,
    prepare,
    table_at,
)
from leaveby.decision.timing import best_route, durations_of, route_latest_s, time_way
from leaveby.decision.triggers import decision_span_s, design_step, lead_time_of, trigger_line
from leaveby.decision.ways_out import CandidateRoute, WayRoads, candidate_routes, roads_for
from leaveby.fire.arrival import Arrival, arrive
from leaveby.fire.ellipse import SHAPE_ASSUMPTIONS, SpreadTable
from leaveby.fire.embers import EMBER_ASSUMPTIONS, ember_arrival_at, zone_spotting_m
from leaveby.fire.model_error import ERROR_ASSUMPTIONS, ros_factors
from leaveby.fire.spread import FOREST_MODELS, flat_spread
from leaveby.fire.validity import model_assumptions, outside_validity
from leaveby.household.plan import WAYS, Way, ways, why_no_way
from leaveby.household.readiness import ready_times
from leaveby.parameters import DRIVE_TIME_FACTOR_HIGH, WIND_SPEED_ERROR, WIND_TURN_ERROR_DEG
from leaveby.roads.network import csr
from leaveby.units import km_h_from_m_s, min_from_s

PILOT_MEMBERS: Final = 12
WHAT_IF_MEMBERS: Final = 60
MODEL_WORDS: Final[Mapping[str, str]] = {
    "dry_eucalypt": "dry eucalypt forest equation",
    "mark5": "Mark 5 forest equation",
    "rule_10_percent": "10 % of the wind",
}

ENDS: Final[Mapping[str, str]] = {
    "tow": "From now on no towing: the house stays.",
    "car": "From now on no road out by car.",
    "foot": "From now on no way out on foot.",
}

Progress = Callable[[str, int, int], None]


def answer_household(
    inputs: HouseholdInputs,
    *,
    workers: int = 1,
    progress: Progress | None = None,
    official: Sequence[OfficialWarning] = (),
) -> HouseholdResult:
    """Answer the household question.

    Parameters
    ----------
    inputs : HouseholdInputs
        Everything the plan names, as the doors read it.
    workers : int
        Threads; the answer does not depend on it.
    progress : callable, optional
        Called with (what, done, total).
    official : sequence of OfficialWarning
        Public warnings that cover the home: they stand first.

    Returns
    -------
    HouseholdResult

    Raises
    ------
    InputError
        With every fault of the plan's places, weather and fuel.
    """
    scenario = prepare(inputs)
    plan = inputs.plan
    choice = plans_choice(plan)
    places = tuple(scenario.safe_cells)
    cells = stretch_cells(inputs.terrain.grid, list(scenario.network.geometry), standoff_m=plan.roads.standoff_m)
    draws = draw_members(plan.members, len(plan.tasks), rng=np.random.default_rng(plan.seed))
    central = arrive(table_at(scenario, choice, z=CENTRAL_Z), scenario.ignitions, horizon_s=plan.horizon_s)
    central_closing_s = closing_times(cells, central.time_s, smoke_lead_s=plan.roads.smoke_lead_s)

    roads = {way: roads_for(scenario, way, inside=cells.inside) for way in ways(plan)}
    candidates = _candidates(scenario, roads, choice=choice, draws=draws, cells=cells)
    refuges = refuge_routes(scenario, roads, graph=csr(scenario.network))
    known = [*(one for found in candidates.values() for one in found), *(one.route for one in refuges)]
    edges = sorted({edge for one in known for edge in one.edges})
    column_of = {edge: column for column, edge in enumerate(edges)}
    watched = select(cells, np.array(edges, dtype=np.int64))

    def fires(fire: FireChoice, who: Draws, what: str) -> MemberFires:
        return _fires(scenario, fire, draws=who, watched=watched, workers=workers, progress=progress, what=what)

    main = fires(choice, draws, "members")
    reached = np.isfinite(main.point_arrival_s[:, 1:]).mean(axis=0)
    burnt_share = {name: float(share) for name, share in zip(places, reached, strict=True)}
    chosen = {
        way: best_route(
            scenario,
            found,
            closing_s=main.closing_s,
            column_of=column_of,
            drive_factor=draws.drive_factor,
            burnt_share=burnt_share,
        )
        for way, found in candidates.items()
        if found
    }
    timings = {
        way: time_way(
            scenario,
            roads[way],
            candidate=chosen.get(way),
            draws=draws,
            closing_s=main.closing_s,
            column_of=column_of,
            central_closing_s=central_closing_s,
        )
        for way in roads
    }
    lead_s, triggers = _triggers(scenario, roads, timings=timings, choice=choice)
    few = first_draws(draws, min(WHAT_IF_MEMBERS, draws.members))
    what_ifs = tuple(
        _what_if(
            scenario,
            fire,
            label=label,
            draws=few,
            closing_s=fires(fire, few, label).closing_s,
            chosen=chosen,
            column_of=column_of,
        )
        for label, fire in _other_fires(scenario, choice)
    )
    summary = _summary(scenario, choice, central=central, fires=main)
    shelter = last_resort_side(
        scenario,
        draws,
        front_arrival_s=main.point_arrival_s[:, 0],
        ember_arrival_s=main.ember_s,
        timings=timings,
        choice=choice,
        places=tuple(
            refuge_place(
                scenario,
                one,
                latest_s=route_latest_s(
                    scenario, one.route, closing_s=main.closing_s, column_of=column_of, drive_factor=draws.drive_factor
                ),
            )
            for one in refuges
        ),
    )
    return HouseholdResult(
        plan=plan,
        start=plan.starts_at,
        ways={str(way): timing for way, timing in timings.items()},
        fire=summary,
        triggers=triggers,
        lead_time_s=lead_s,
        shelter=shelter,
        official=tuple(official),
        what_ifs=what_ifs,
        timetable=timetable(timings, fire=summary, shelter_start_s=shelter.latest_start_before_embers_s),
        assumptions=_assumptions(scenario, roads, chosen=chosen, burnt_share=burnt_share, choice=choice),
        outside_validity=outside_validity(scenario.weather, scenario.zones, models=plan.fire.models),
        network=scenario.network,
        closing_s=central_closing_s,
        home_xy_m=scenario.home_xy_m,
        safe_point_xy_m=scenario.safe_xy_m,
        terrain=inputs.terrain,
        members=draws.members,
        inputs=inputs.record,
    )


def _candidates(
    scenario: Scenario, roads: Mapping[Way, WayRoads], *, choice: FireChoice, draws: Draws, cells: StretchCells
) -> dict[Way, tuple[CandidateRoute, ...]]:
    """Gather the routes worth timing, with a few members' fires as pilots, the slowest to the fastest."""
    plan, graph = scenario.inputs.plan, csr(scenario.network)
    spread = np.argsort(draws.ros_z, kind="stable")
    pilots = spread[np.linspace(0, draws.members - 1, min(PILOT_MEMBERS, draws.members)).astype(int)]
    closings = []
    for member in pilots:
        table = member_table(scenario, choice, draws=draws, member=int(member))
        arrival = arrive(table, scenario.ignitions, horizon_s=plan.horizon_s)
        closings.append(closing_times(cells, arrival.time_s, smoke_lead_s=plan.roads.smoke_lead_s))
    return {
        way: () if found.why_none else candidate_routes(scenario, found, graph=graph, pilot_closing_s=closings)
        for way, found in roads.items()
    }


def _fires(
    scenario: Scenario,
    choice: FireChoice,
    *,
    draws: Draws,
    watched: StretchCells,
    workers: int,
    progress: Progress | None,
    what: str,
) -> MemberFires:
    plan = scenario.inputs.plan

    def table_of(member: int) -> SpreadTable:
        return member_table(scenario, choice, draws=draws, member=member)

    def embers_at(table: SpreadTable, time_s: NDArray[np.float64], cell: tuple[int, int]) -> float:
        spotting_m = zone_spotting_m(table, scenario.zones)
        return ember_arrival_at(table, time_s, row=cell[0], col=cell[1], spotting_m=spotting_m)

    return run_members(
        draws.members,
        table_of,
        ignitions=scenario.ignitions,
        horizon_s=plan.horizon_s,
        watched=watched,
        smoke_lead_s=plan.roads.smoke_lead_s,
        points=(scenario.home_cell, *scenario.safe_cells.values()),
        embers_at=embers_at,
        workers=workers,
        progress=None if progress is None else lambda done, total: progress(what, done, total),
    )


def _triggers(
    scenario: Scenario, roads: Mapping[Way, WayRoads], *, timings: Mapping[Way, WayTiming], choice: FireChoice
) -> tuple[dict[str, NDArray[np.float64]], tuple[TriggerLine, ...]]:
    """Map the lead time of the ways with wheels, and draw their lines at the middle and at the asked confidence."""
    confidence = scenario.inputs.plan.confidence
    maps: dict[str, NDArray[np.float64]] = {}
    lines: list[TriggerLine] = []
    table = table_at(scenario, choice, z=CENTRAL_Z)
    wheels: tuple[Way, ...] = ("tow", "car")
    for way in wheels:
        timing = timings.get(way)
        if timing is None or timing.route is None:
            continue
        from_s, until_s = decision_span_s(timing, horizon_s=scenario.inputs.plan.horizon_s)
        step = design_step(table, from_s=from_s, until_s=until_s)
        weather_at_s = float(scenario.weather.time_s[step])
        ready_s = {0.5: timing.ready_s.p50_s, confidence: timing.ready_at_confidence_s}
        for level in sorted(ready_s):
            lead_s = lead_time_of(scenario, roads[way], timing=timing, choice=choice, confidence=level, step=step)
            lines.append(
                trigger_line(
                    scenario, lead_s, way=way, confidence=level, ready_s=ready_s[level], weather_at_s=weather_at_s
                )
            )
            maps[way] = lead_s
    return maps, tuple(lines)


def _other_fires(scenario: Scenario, choice: FireChoice) -> list[tuple[str, FireChoice]]:
    """Name the fires that the sheet sets beside the plan's own: each model alone, and the speeds set by hand."""
    plan = scenario.inputs.plan
    found = []
    if choice.set_m_s is None and len(choice.models) > 1:
        forest = [model for model in choice.models if model in FOREST_MODELS]
        others = tuple(model for model in choice.models if model not in FOREST_MODELS)
        for model in forest:
            label = f"{MODEL_WORDS[model]} alone"
            found.append((label, FireChoice(models=(model, *others), floor_m_s=choice.floor_m_s)))
    for speed_m_s in plan.fire.what_if_m_s:
        label = f"fire at {km_h_from_m_s(speed_m_s):g} km/h, set by hand"
        found.append((label, FireChoice(models=choice.models, set_m_s=speed_m_s)))
    return found


def _what_if(
    scenario: Scenario,
    choice: FireChoice,
    *,
    label: str,
    draws: Draws,
    closing_s: NDArray[np.float64],
    chosen: Mapping[Way, CandidateRoute],
    column_of: Mapping[int, int],
) -> WhatIf:
    plan = scenario.inputs.plan
    durations_s = durations_of(scenario, draws)
    latest: dict[str, float | None] = {}
    why: dict[str, str] = {}
    for way, candidate in chosen.items():
        leave_s = route_latest_s(
            scenario, candidate, closing_s=closing_s, column_of=column_of, drive_factor=draws.drive_factor
        )
        ready_s = ready_times(plan, way, durations_s=durations_s)
        at_s = latest_at_confidence(leave_s - ready_s, plan.confidence)
        latest[way] = at_s if np.isfinite(at_s) else None
        if not np.isfinite(at_s):
            why[way] = "Not shut within the hours looked at in enough members to name a time."
    for way in ways(plan):
        if way not in chosen:
            latest[way] = None
            why[way] = "There is no route."
    return WhatIf(
        label=label,
        members=draws.members,
        head_ros_m_s=_fastest(scenario, choice)[0],
        latest_start_s=latest,
        why=why,
    )


def _fastest(scenario: Scenario, choice: FireChoice) -> tuple[float, tuple[tuple[float, str, float], ...]]:
    """Find the fastest head rate of spread on the flat in the commonest fuel, and what governs it at each step."""
    flat = flat_spread(
        scenario.weather,
        scenario.zones,
        models=choice.models,
        ros_factors=ros_factors(CENTRAL_Z),
        floor_m_s=choice.floor_m_s,
        set_m_s=choice.set_m_s,
    )
    time_s = scenario.weather.time_s
    ends_s = np.append(time_s[1:], np.inf)
    steps = np.flatnonzero((time_s < scenario.inputs.plan.horizon_s) & (ends_s > 0.0))
    zone = commonest_zone(scenario)
    rows = tuple(
        (float(time_s[k]), flat.governors[int(flat.governing[k, zone])], float(flat.head_ros_m_s[k, zone]))
        for k in steps
    )
    return max(row[2] for row in rows), rows


def commonest_zone(scenario: Scenario) -> int:
    """Find the zone that covers most of the ground that burns."""
    zone = scenario.zones.zone
    return int(np.bincount(zone[zone >= 0].ravel()).argmax())


def _summary(scenario: Scenario, choice: FireChoice, *, central: Arrival, fires: MemberFires) -> FireSummary:
    fastest_m_s, governing = _fastest(scenario, choice)
    return FireSummary(
        arrival=central,
        home_p05_s=latest_at_confidence(fires.point_arrival_s[:, 0], 0.95),
        home_p50_s=latest_at_confidence(fires.point_arrival_s[:, 0], 0.5),
        ember_home_p05_s=latest_at_confidence(fires.ember_s, 0.95),
        head_ros_m_s=fastest_m_s,
        governing=governing,
    )


def timetable(
    timings: Mapping[Way, WayTiming], *, fire: FireSummary, shelter_start_s: float
) -> tuple[TimetableRow, ...]:
    """Set leaving and the last resort side by side in time: what ends when, on the asked confidence.

    Rows without a moment (nothing within the horizon) are left out; the assumptions and each way's `why` say so.
    """
    rows = [TimetableRow(0.0, "fire", "The fire of this scenario starts.")]
    for way, timing in timings.items():
        words = WAY_WORDS[way]
        if timing.latest_start_s is not None:
            rows.append(
                TimetableRow(timing.latest_start_s, f"start {way}", f"Latest start of getting ready to leave {words}.")
            )
        if timing.latest_departure_s is not None:
            rows.append(TimetableRow(timing.latest_departure_s, f"end {way}", ENDS[way]))
        if timing.route is not None and np.isfinite(timing.route.closes_first_s):
            rows.append(
                TimetableRow(
                    timing.route.closes_first_s,
                    f"shut {way}",
                    f"In the central run, {timing.route.closes_first} shuts on the way {words}.",
                )
            )
    if np.isfinite(shelter_start_s):
        rows.append(
            TimetableRow(
                shelter_start_s,
                "shelter",
                "Last resort, under official directions: closing the house must have begun to be done before embers.",
            )
        )
    for at_s, kind, sentence in (
        (fire.ember_home_p05_s, "embers", "Embers may reach the home from now on (earliest 5 % of members)."),
        (fire.home_p05_s, "front", "The front may reach the home from now on (earliest 5 % of members)."),
        (fire.home_p50_s, "front", "The front has reached the home in half of the members."),
    ):
        if np.isfinite(at_s):
            rows.append(TimetableRow(at_s, kind, sentence))
    return tuple(sorted(rows, key=lambda row: (row.at_s, row.kind)))


def _assumptions(
    scenario: Scenario,
    roads: Mapping[Way, WayRoads],
    *,
    chosen: Mapping[Way, CandidateRoute],
    burnt_share: Mapping[str, float],
    choice: FireChoice,
) -> tuple[str, ...]:
    plan, network = scenario.inputs.plan, scenario.network
    said = [
        f"Fire shuts a stretch of road {min_from_s(plan.roads.smoke_lead_s):g} minutes before it comes within "
        f"{plan.roads.standoff_m:g} m of any part of it; {min_from_s(plan.margin_s):g} minutes are kept before that.",
        "Each way of leaving is timed on one route, chosen beforehand; changing route on the way is not counted on.",
        f"The drive may take up to {DRIVE_TIME_FACTOR_HIGH.value:g} times as long as computed (judgement). Queues of "
        "other households are not counted: on a single-exit street leave earlier still.",
        f"Wind speed is off by {100 * WIND_SPEED_ERROR.value:.0f} % and wind direction by "
        f"{WIND_TURN_ERROR_DEG.value:.0f} degrees as a rule (one standard deviation, judgement).",
        "The fire is at its full rate of spread from the first minute; no growth from a point is counted on.",
    ]
    if choice.set_m_s is None:
        fuel = scenario.zones.types[commonest_zone(scenario)].name
        said.append(f"Rates of spread are shown for {fuel}, the commonest fuel here; each fuel burns at its own.")
    if choice.set_m_s is not None:
        said.append(f"The head rate of spread was set by hand: {km_h_from_m_s(choice.set_m_s):g} km/h.")
    if choice.floor_m_s is not None:
        said.append(f"The head rate of spread is never below {km_h_from_m_s(choice.floor_m_s):g} km/h, set by hand.")
    for name, share in burnt_share.items():
        if share > 0.0:
            said.append(
                f"Fire reaches {name} within {plan.horizon_s / 3600.0:g} hours in {100 * share:.0f} % of the members."
            )
    for way, candidate in chosen.items():
        if burnt_share[candidate.safe_point] > 1.0 - plan.confidence:
            said.append(f"Every route {WAY_WORDS[way]} ends where fire may come later: be ready to go farther.")
    for way in WAYS:
        reason = why_no_way(plan, way)
        if reason is not None:
            said.append(f"Leaving {WAY_WORDS[way]} is not a way of this household. {reason}")
    said += [*plan.assumptions, *scenario.inputs.assumptions, *scenario.zones.assumptions, *network.assumptions]
    said += [*model_assumptions(scenario.zones, models=choice.models), *ERROR_ASSUMPTIONS, *EMBER_ASSUMPTIONS]
    said += SHAPE_ASSUMPTIONS
    for found in roads.values():
        said += found.travel.assumptions
    return tuple(dict.fromkeys(said))
