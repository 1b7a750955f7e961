"""The household question, answered: by when to be rolling, for each way of leaving, and where the fire may be then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.decision.assumptions import assumptions
from leaveby.decision.closing import StretchCells, closing_times, select, stretch_cells
from leaveby.decision.confidence import latest_at_confidence
from leaveby.decision.day_before import day_before, day_fires
from leaveby.decision.landmarks import landmark_words, landmarks
from leaveby.decision.last_resort import last_resort_side, refuge_place, refuge_routes
from leaveby.decision.members import (
    Draws,
    MemberFires,
    draw_members,
    join_draws,
    join_fires,
    pick_draws,
    run_closings,
    run_members,
)
from leaveby.decision.precision import bootstrap_precision, half_width_s
from leaveby.decision.result import (
    FireSummary,
    HouseholdResult,
    OfficialWarning,
    TriggerLine,
    WayOutArea,
    WayTiming,
    WhatIf,
)
from leaveby.decision.scenario import (
    CENTRAL_Z,
    FireChoice,
    HouseholdInputs,
    Scenario,
    burns_about,
    central_ignitions,
    choice_weather,
    commonest_zone,
    member_ignitions,
    member_table,
    plans_choice,
    prepare,
    table_at,
)
from leaveby.decision.sensitivity import moved
from leaveby.decision.timetable import timetable
from leaveby.decision.timing import best_route, durations_of, route_latest_s, time_way
from leaveby.decision.triggers import decision_span_s, design_step, lead_time_of, trigger_line
from leaveby.decision.ways_out import CandidateRoute, WayRoads, candidate_routes, no_way_out_s, roads_for
from leaveby.decision.which_way import route_to_each, way_out_map
from leaveby.fire.arrival import Arrival, Ignition, arrive
from leaveby.fire.ellipse import SpreadTable
from leaveby.fire.embers import ember_arrival_at, zone_spotting_m
from leaveby.fire.model_error import ros_factors
from leaveby.fire.spread import FOREST_MODELS, flat_spread
from leaveby.fire.validity import outside_validity
from leaveby.household.plan import Plan, Way, ways
from leaveby.household.readiness import ready_times
from leaveby.roads.network import RoutingGraph, csr
from leaveby.units import km_h_from_m_s

WHEELS: Final[tuple[Way, ...]] = ("tow", "car")
BATCH: Final = 125
PILOT_MEMBERS: Final = 12
WHAT_IF_MEMBERS: Final = 40
MORE_WIND_M_S: Final = 10.0 / 3.6
MODEL_WORDS: Final[Mapping[str, str]] = {
    "dry_eucalypt": "dry eucalypt forest equation",
    "mark5": "Mark 5 forest equation",
    "rule_10_percent": "10 % of the wind",
}

Progress = Callable[[str, int, int, str], None]
"""Called with what is computed, how many members are done, of how many, and the present leave-bys in words."""


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
        Called with (what, done, total, present leave-bys in words).
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
    cells = stretch_cells(inputs.terrain.grid, list(scenario.network.geometry), standoff_m=plan.roads.standoff_m)
    rng = np.random.default_rng(plan.seed)
    first = _draw(plan, min(BATCH, plan.members), rng)
    central = arrive(table_at(scenario, choice, z=CENTRAL_Z), central_ignitions(scenario), horizon_s=plan.horizon_s)
    central_closing_s = closing_times(cells, central.time_s, smoke_lead_s=plan.roads.smoke_lead_s)

    graph = csr(scenario.network)
    roads = {way: roads_for(scenario, way, inside=cells.inside) for way in ways(plan)}
    candidates = _candidates(scenario, roads, choice=choice, draws=first, cells=cells, graph=graph, workers=workers)
    refuges = refuge_routes(scenario, roads, graph=graph)
    known = [*(one for found in candidates.values() for one in found), *(one.route for one in refuges)]
    edges = sorted({edge for one in known for edge in one.edges})
    column_of = {edge: column for column, edge in enumerate(edges)}
    watched = select(cells, np.array(edges, dtype=np.int64))

    fires = _fires(
        scenario,
        choice,
        draws=first,
        watched=watched,
        workers=workers,
        progress=progress,
        what="members",
        wanted=plan.members,
    )
    draws = first
    while True:
        burnt_share = share_burnt(scenario, fires)
        chosen = _chosen(scenario, candidates, fires=fires, draws=draws, column_of=column_of, burnt_share=burnt_share)
        wanted = _members_wanted(scenario, chosen, fires=fires, draws=draws, column_of=column_of)
        if draws.members >= wanted:
            break
        batch = _draw(plan, min(BATCH, wanted - draws.members), rng)
        present = _leave_bys(scenario, chosen, draws=draws, closing_s=fires.closing_s, column_of=column_of)
        more = _fires(
            scenario,
            choice,
            draws=batch,
            watched=watched,
            workers=workers,
            progress=progress,
            what="members",
            before=draws.members,
            wanted=wanted,
            present=_in_words(plan, present),
        )
        draws, fires = join_draws([draws, batch]), join_fires([fires, more])
    timings = {
        way: time_way(
            scenario,
            roads[way],
            candidate=chosen.get(way),
            draws=draws,
            closing_s=fires.closing_s,
            column_of=column_of,
            central_closing_s=central_closing_s,
        )
        for way in roads
    }
    lead_s, triggers = _triggers(scenario, roads, timings=timings, choice=choice)
    nearest = _landmarks(scenario, triggers)
    which = _which_way(
        scenario, roads, candidates, timings=timings, choice=choice, fires=fires, draws=draws, column_of=column_of
    )
    wheeled = {way: timings[way].route for way in WHEELS if way in timings}
    driven = {way: found for way, found in wheeled.items() if found is not None}
    days = day_fires(scenario, list(driven.values()), choice=choice, workers=workers) if driven else None
    before = {way: day_before(scenario, roads[way], timing=timings[way], choice=choice, fires=days) for way in driven}
    few = pick_draws(draws, np.arange(min(WHAT_IF_MEMBERS, draws.members)))
    own_closing_s = fires.closing_s[: few.members]
    own = _leave_bys(scenario, chosen, draws=few, closing_s=own_closing_s, column_of=column_of)
    what_ifs = tuple(
        _what_if(
            scenario,
            fire,
            label=label,
            draws=few,
            latest_s=_leave_bys(
                scenario,
                chosen,
                draws=few,
                closing_s=_closings(
                    scenario,
                    fire,
                    draws=few,
                    watched=watched,
                    workers=workers,
                    progress=progress,
                    what=label,
                ),
                column_of=column_of,
            ),
            own_s=own,
            all_s={str(way): timing.latest_start_s for way, timing in timings.items()},
        )
        for label, fire in _other_fires(scenario, choice)
    )
    last_road_s = no_way_out_s(scenario, roads, graph=graph, closing_s=central_closing_s)
    summary = _summary(scenario, choice, central=central, fires=fires)
    shelter = last_resort_side(
        scenario,
        draws,
        front_arrival_s=fires.point_arrival_s[:, 0],
        ember_arrival_s=fires.ember_s,
        timings=timings,
        choice=choice,
        places=tuple(
            refuge_place(
                scenario,
                one,
                latest_s=route_latest_s(
                    scenario, one.route, closing_s=fires.closing_s, column_of=column_of, drive_factor=draws.drive_factor
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
        landmarks=nearest,
        which_way=which,
        day_before={str(way): table for way, table in before.items()},
        shelter=shelter,
        official=tuple(official),
        what_ifs=what_ifs,
        timetable=timetable(
            timings,
            fire=summary,
            shelter_start_s=shelter.latest_start_before_embers_s,
            no_way_out_s=last_road_s,
        ),
        assumptions=assumptions(scenario, roads, chosen=chosen, burnt_share=burnt_share, choice=choice),
        outside_validity=outside_validity(scenario.weather, scenario.zones, models=plan.fire.models),
        network=scenario.network,
        closing_s=central_closing_s,
        home_xy_m=scenario.home_xy_m,
        safe_point_xy_m=scenario.safe_xy_m,
        terrain=inputs.terrain,
        members=draws.members,
        inputs=inputs.record,
        no_way_out_s=last_road_s,
    )


def _in_words(plan: Plan, latest_start_s: Mapping[str, float | None]) -> str:
    """Say the present leave-bys as clock times, for the progress line."""
    return ", ".join(
        f"{way} {plan.starts_at + timedelta(seconds=at_s):%H:%M}"
        for way, at_s in latest_start_s.items()
        if at_s is not None
    )


def share_burnt(scenario: Scenario, fires: MemberFires) -> dict[str, float]:
    """Give the share of members in which fire reaches each safe point within the horizon.

    A point that stands amid bare ground by the fuel map is not reached, though fire may pass all round it.
    """
    reached = np.isfinite(fires.point_arrival_s[:, 1:]).mean(axis=0)
    return {
        name: float(share) if burns_about(scenario, cell) else 0.0
        for (name, cell), share in zip(scenario.safe_cells.items(), reached, strict=True)
    }


def _draw(plan: Plan, members: int, rng: np.random.Generator) -> Draws:
    return draw_members(members, len(plan.tasks), ignitions=len(plan.ignitions), rng=rng)


def _chosen(
    scenario: Scenario,
    candidates: Mapping[Way, tuple[CandidateRoute, ...]],
    *,
    fires: MemberFires,
    draws: Draws,
    column_of: Mapping[int, int],
    burnt_share: Mapping[str, float],
) -> dict[Way, CandidateRoute]:
    durations_s = durations_of(scenario, draws)
    return {
        way: best_route(
            scenario,
            found,
            closing_s=fires.closing_s,
            column_of=column_of,
            drive_factor=draws.drive_factor,
            ready_s=ready_times(scenario.inputs.plan, way, durations_s=durations_s),
            burnt_share=burnt_share,
        )
        for way, found in candidates.items()
        if found
    }


def _members_wanted(
    scenario: Scenario,
    chosen: Mapping[Way, CandidateRoute],
    *,
    fires: MemberFires,
    draws: Draws,
    column_of: Mapping[int, int],
) -> int:
    """Say how many members there should be: as many as the plan asks, or until its leave-bys are precise enough."""
    plan = scenario.inputs.plan
    if draws.members < plan.members or plan.precision_s is None:
        return plan.members
    durations_s = durations_of(scenario, draws)
    widest_s = 0.0
    for way, candidate in chosen.items():
        leave_s = route_latest_s(
            scenario, candidate, closing_s=fires.closing_s, column_of=column_of, drive_factor=draws.drive_factor
        )
        found = bootstrap_precision(
            leave_s - ready_times(plan, way, durations_s=durations_s),
            plan.confidence,
            rng=np.random.default_rng(plan.seed),
            wanted_s=plan.precision_s,
        )
        widest_s = max(widest_s, half_width_s(found))
    enough = widest_s <= plan.precision_s
    return draws.members if enough else min(draws.members + BATCH, plan.members_at_most)


def _candidates(
    scenario: Scenario,
    roads: Mapping[Way, WayRoads],
    *,
    choice: FireChoice,
    draws: Draws,
    cells: StretchCells,
    graph: RoutingGraph,
    workers: int,
) -> dict[Way, tuple[CandidateRoute, ...]]:
    """Gather the routes worth timing, with a few members' fires as pilots, the slowest to the fastest."""
    plan = scenario.inputs.plan
    spread = np.argsort(draws.ros_z, kind="stable")
    pilots = spread[np.linspace(0, draws.members - 1, min(PILOT_MEMBERS, draws.members)).astype(int)]
    closings = run_closings(
        pilots.size,
        lambda number: member_table(scenario, choice, draws=draws, member=int(pilots[number])),
        ignitions_of=lambda number: member_ignitions(scenario, draws=draws, member=int(pilots[number])),
        horizon_s=plan.horizon_s,
        watched=cells,
        smoke_lead_s=plan.roads.smoke_lead_s,
        workers=workers,
    )
    return {
        way: () if found.why_none else candidate_routes(scenario, found, graph=graph, pilot_closing_s=list(closings))
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
    before: int = 0,
    wanted: int | None = None,
    present: str = "",
) -> MemberFires:
    plan = scenario.inputs.plan

    def table_of(member: int) -> SpreadTable:
        return member_table(scenario, choice, draws=draws, member=member)

    def ignitions_of(member: int) -> tuple[Ignition, ...]:
        return member_ignitions(scenario, draws=draws, member=member)

    def embers_at(table: SpreadTable, time_s: NDArray[np.float64], cell: tuple[int, int]) -> float:
        spotting_m = zone_spotting_m(table, scenario.zones)
        return ember_arrival_at(table, time_s, row=cell[0], col=cell[1], spotting_m=spotting_m)

    return run_members(
        draws.members,
        table_of,
        ignitions_of=ignitions_of,
        horizon_s=plan.horizon_s,
        watched=watched,
        smoke_lead_s=plan.roads.smoke_lead_s,
        points=(scenario.home_cell, *scenario.safe_cells.values()),
        embers_at=embers_at,
        workers=workers,
        progress=None
        if progress is None
        else lambda done, total: progress(what, before + done, total if wanted is None else wanted, present),
    )


def _closings(
    scenario: Scenario,
    choice: FireChoice,
    *,
    draws: Draws,
    watched: StretchCells,
    workers: int,
    progress: Progress | None,
    what: str,
) -> NDArray[np.float64]:
    """Solve another fire for the closings alone."""
    plan = scenario.inputs.plan
    return run_closings(
        draws.members,
        lambda member: member_table(scenario, choice, draws=draws, member=member),
        ignitions_of=lambda member: member_ignitions(scenario, draws=draws, member=member),
        horizon_s=plan.horizon_s,
        watched=watched,
        smoke_lead_s=plan.roads.smoke_lead_s,
        workers=workers,
        progress=None if progress is None else lambda done, total: progress(what, done, total, ""),
    )


def _triggers(
    scenario: Scenario, roads: Mapping[Way, WayRoads], *, timings: Mapping[Way, WayTiming], choice: FireChoice
) -> tuple[dict[str, NDArray[np.float64]], tuple[TriggerLine, ...]]:
    """Map the lead time of the ways with wheels, and draw their lines at the middle and at the asked confidence."""
    confidence = scenario.inputs.plan.confidence
    maps: dict[str, NDArray[np.float64]] = {}
    lines: list[TriggerLine] = []
    table = table_at(scenario, choice, z=CENTRAL_Z)
    for way in WHEELS:
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


def _landmarks(scenario: Scenario, triggers: Sequence[TriggerLine]) -> dict[str, tuple[str, ...]]:
    """Say by roads and places where each way's line at the asked confidence lies."""
    said = {}
    for line in triggers:
        if line.confidence == scenario.inputs.plan.confidence:
            found = landmarks(
                line,
                scenario.network,
                grid=scenario.inputs.terrain.grid,
                home_xy_m=scenario.home_xy_m,
                places=scenario.places_m,
            )
            said[line.way] = landmark_words(found, line)
    return said


def _which_way(
    scenario: Scenario,
    roads: Mapping[Way, WayRoads],
    candidates: Mapping[Way, tuple[CandidateRoute, ...]],
    *,
    timings: Mapping[Way, WayTiming],
    choice: FireChoice,
    fires: MemberFires,
    draws: Draws,
    column_of: Mapping[int, int],
) -> dict[str, tuple[WayOutArea, ...]]:
    """Map which safe point can be left for latest, for fire at each place, where a way has more than one."""
    plan = scenario.inputs.plan
    table = table_at(scenario, choice, z=CENTRAL_Z)
    found = {}
    for way in WHEELS:
        timing = timings.get(way)
        if timing is None or timing.route is None:
            continue
        routes = route_to_each(
            scenario,
            candidates[way],
            closing_s=fires.closing_s,
            column_of=column_of,
            drive_factor=draws.drive_factor,
            ready_s=ready_times(plan, way, durations_s=durations_of(scenario, draws)),
        )
        from_s, until_s = decision_span_s(timing, horizon_s=plan.horizon_s)
        shown = way_out_map(
            scenario,
            roads[way],
            timing=timing,
            routes=routes,
            choice=choice,
            confidence=plan.confidence,
            step=design_step(table, from_s=from_s, until_s=until_s),
        )
        found[str(way)] = shown.areas
    return found


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
    if choice.set_m_s is None:
        label = f"wind {km_h_from_m_s(MORE_WIND_M_S):.0f} km/h stronger"
        found.append((label, replace(choice, more_wind_m_s=MORE_WIND_M_S)))
    for speed_m_s in plan.fire.what_if_m_s:
        label = f"fire at {km_h_from_m_s(speed_m_s):g} km/h, set by hand"
        found.append((label, FireChoice(models=choice.models, set_m_s=speed_m_s)))
    return found


def _leave_bys(
    scenario: Scenario,
    chosen: Mapping[Way, CandidateRoute],
    *,
    draws: Draws,
    closing_s: NDArray[np.float64],
    column_of: Mapping[int, int],
) -> dict[str, float | None]:
    """Give the latest start of each way on its chosen route under some members' closings; None when not bounded."""
    plan = scenario.inputs.plan
    durations_s = durations_of(scenario, draws)
    latest: dict[str, float | None] = {}
    for way in ways(plan):
        latest[way] = None
        if way in chosen:
            leave_s = route_latest_s(
                scenario, chosen[way], closing_s=closing_s, column_of=column_of, drive_factor=draws.drive_factor
            )
            at_s = latest_at_confidence(leave_s - ready_times(plan, way, durations_s=durations_s), plan.confidence)
            latest[way] = at_s if np.isfinite(at_s) else None
    return latest


def _what_if(
    scenario: Scenario,
    choice: FireChoice,
    *,
    label: str,
    draws: Draws,
    latest_s: Mapping[str, float | None],
    own_s: Mapping[str, float | None],
    all_s: Mapping[str, float | None],
) -> WhatIf:
    """Set another fire beside the plan's own: the leave-by of all members, moved by the difference the few tell.

    The few members have the same draws under both fires, so their difference is not luck; their own leave-by would be.
    """
    earlier_s = moved(latest_s, own_s)
    found: dict[str, float | None] = {}
    for way, at_s in latest_s.items():
        whole_s, shift_s = all_s.get(way), earlier_s[way]
        found[way] = at_s if whole_s is None or shift_s is None else whole_s - shift_s
    not_shut = "Not shut within the hours looked at in enough members to name a time, or there is no route."
    return WhatIf(
        label=label,
        members=draws.members,
        head_ros_m_s=_fastest(scenario, choice)[0],
        latest_start_s=found,
        why={way: not_shut for way, at_s in found.items() if at_s is None},
        earlier_s=earlier_s,
    )


def _fastest(scenario: Scenario, choice: FireChoice) -> tuple[float, tuple[tuple[float, str, float], ...]]:
    """Find the fastest head rate of spread on the flat in the commonest fuel, and what governs it at each step."""
    flat = flat_spread(
        choice_weather(scenario, choice),
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
