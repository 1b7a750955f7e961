"""The household question, answered: by when to be rolling, for each way of leaving, and where the fire may be then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.chance import stream
from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.closing import StretchCells, closing_times, select, stretch_cells
from leaveby.decision.fires.members import (
    Draws,
    Members,
    join_draws,
    join_fires,
    plan_draws,
)
from leaveby.decision.fires.scenario import (
    CENTRAL_Z,
    FireChoice,
    HouseholdInputs,
    Scenario,
    central_ignitions,
    member_table,
    plans_choice,
    prepare,
    table_at,
)
from leaveby.decision.household.assumptions import assumptions
from leaveby.decision.household.last_resort import RefugeRoute, last_resort_side, refuge_place, refuge_routes
from leaveby.decision.household.phases import last_exits_s, phases_of
from leaveby.decision.household.timetable import timetable
from leaveby.decision.household.what_ifs import fastest_head, what_ifs
from leaveby.decision.lines.day_before import day_before, day_fires
from leaveby.decision.lines.landmarks import landmark_words, landmarks
from leaveby.decision.lines.triggers import decision_span_s, design_step, lead_time_of, trigger_line
from leaveby.decision.lines.which_way import route_to_each, way_out_map
from leaveby.decision.ways.precision import bootstrap_precision, half_width_s
from leaveby.decision.ways.result import (
    DayBefore,
    FireSummary,
    HouseholdResult,
    TriggerLine,
    WayOutArea,
    WayTiming,
)
from leaveby.decision.ways.roads import CandidateRoute, WayRoads, roads_for
from leaveby.decision.ways.route_fires import (
    BATCH,
    choose_routes,
    gather_routes,
    latest_departures,
    share_burnt,
    solve_fires,
)
from leaveby.decision.ways.timing import ChosenRoute, route_latest_s, time_way
from leaveby.fire.arrival.solve import Arrival, arrive
from leaveby.fire.spread.validity import outside_validity
from leaveby.household.plan import Plan, Way, ways
from leaveby.household.shelter import LastResort
from leaveby.roads.network.graph import RoutingGraph, csr

WHEELS: Final[tuple[Way, ...]] = ("tow", "car")
Progress = Callable[[str, int, int, str], None]
"""Called with what is computed, how many members are done, of how many, and the present leave-bys in words."""


@dataclass(frozen=True)
class _Asked:
    """What is asked, made ready: the ground, the roads of each way, and the stretches whose closing matters."""

    scenario: Scenario
    choice: FireChoice
    cells: StretchCells
    graph: RoutingGraph
    roads: Mapping[Way, WayRoads]
    candidates: Mapping[Way, tuple[CandidateRoute, ...]]
    refuges: tuple[RefugeRoute, ...]
    watched: StretchCells
    column_of: Mapping[int, int]
    workers: int


def _asked(inputs: HouseholdInputs, *, workers: int) -> _Asked:
    scenario = prepare(inputs)
    network = scenario.network
    cells = stretch_cells(inputs.terrain.grid, list(network.geometry), standoff_m=inputs.plan.roads.standoff_m)
    graph = csr(network)
    roads = {way: roads_for(scenario, way, inside=cells.inside) for way in ways(inputs.plan)}
    candidates = gather_routes(scenario, roads, graph=graph)
    refuges = refuge_routes(scenario, roads, graph=graph)
    known = [*(one for found in candidates.values() for one in found), *(one.route for one in refuges)]
    edges = sorted({edge for one in known for edge in one.edges})
    return _Asked(
        scenario=scenario,
        choice=plans_choice(inputs.plan),
        cells=cells,
        graph=graph,
        roads=roads,
        candidates=candidates,
        refuges=refuges,
        watched=select(cells, np.array(edges, dtype=np.int64)),
        column_of={edge: column for column, edge in enumerate(edges)},
        workers=workers,
    )


def answer_household(
    inputs: HouseholdInputs,
    *,
    workers: int = 1,
    progress: Progress | None = None,
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

    Returns
    -------
    HouseholdResult

    Raises
    ------
    InputError
        With every fault of the plan's places, weather and fuel.
    """
    asked = _asked(inputs, workers=workers)
    scenario, plan, choice, roads = asked.scenario, inputs.plan, asked.choice, asked.roads
    central = arrive(table_at(scenario, choice, z=CENTRAL_Z), central_ignitions(scenario), horizon_s=plan.horizon_s)
    central_closing_s = closing_times(asked.cells, central.time_s, smoke_lead_s=plan.roads.smoke_lead_s)
    members = _members(asked, progress)
    burnt_share = share_burnt(scenario, members.fires)
    chosen = choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share)
    timings = {
        way: time_way(
            scenario,
            roads[way],
            chosen=chosen.get(way),
            members=members,
            central_closing_s=central_closing_s,
        )
        for way in roads
    }
    lead_s, triggers = _triggers(asked, timings)
    others = what_ifs(
        scenario,
        choice,
        chosen=chosen,
        timings=timings,
        members=members,
        watched=asked.watched,
        workers=workers,
        progress=None if progress is None else lambda what, done, total: progress(what, done, total, ""),
    )
    way_phases, phases = phases_of(
        scenario,
        timings,
        candidates=asked.candidates,
        chosen=chosen,
        members=members,
        central_exit_s=last_exits_s(scenario, roads, graph=asked.graph, closing_s=central_closing_s),
    )
    summary = _summary(asked, central, members)
    shelter = _last_resort(asked, members, leaving_ends_s=phases.shut_from_s)
    return HouseholdResult(
        plan=plan,
        start=plan.starts_at,
        ways={str(way): timing for way, timing in timings.items()},
        fire=summary,
        triggers=triggers,
        lead_time_s=lead_s,
        landmarks=_landmarks(scenario, triggers),
        which_way=_which_way(asked, timings, members),
        day_before=_day_before(asked, timings),
        shelter=shelter,
        what_ifs=others,
        timetable=timetable(
            timings,
            fire=summary,
            way_phases=way_phases,
            phases=phases,
            shelter=shelter,
            confidence=plan.confidence,
        ),
        assumptions=assumptions(
            scenario,
            roads,
            chosen=chosen,
            timings={str(way): timing for way, timing in timings.items()},
            burnt_share=burnt_share,
            choice=choice,
        ),
        outside_validity=outside_validity(scenario.weather, scenario.zones, models=plan.fire.models),
        network=scenario.network,
        closing_s=central_closing_s,
        home_xy_m=scenario.home_xy_m,
        safe_point_xy_m=scenario.safe_xy_m,
        terrain=inputs.terrain,
        members=members.draws.members,
        inputs=inputs.record,
        phases=phases,
        way_phases=way_phases,
    )


def _members(asked: _Asked, progress: Progress | None) -> Members:
    """Draw members and solve their fires, in batches until the leave-bys are as precise as the plan asks."""
    scenario, plan = asked.scenario, asked.scenario.inputs.plan
    members = _solved(asked, plan_draws(plan, min(BATCH, plan.members)), told=progress, of=plan.members)
    batches = 1
    while True:
        burnt_share = share_burnt(scenario, members.fires)
        chosen = choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share)
        wanted = _members_wanted(scenario, chosen, members)
        known = members.draws.members
        if known >= wanted:
            return members
        present = _in_words(plan, latest_departures(scenario, chosen, members=members))
        batch = plan_draws(plan, min(BATCH, wanted - known), batch=batches)
        more = _solved(asked, batch, told=progress, known=known, of=wanted, present=present)
        batches += 1
        members = Members(join_draws([members.draws, batch]), join_fires([members.fires, more.fires]), asked.column_of)


def _solved(
    asked: _Asked, draws: Draws, *, told: Progress | None, of: int, known: int = 0, present: str = ""
) -> Members:
    def tell(done: int, _: int) -> None:
        if told is not None:
            told("members", known + done, of, present)

    fires = solve_fires(
        asked.scenario,
        table_of=lambda member: member_table(asked.scenario, asked.choice, draws=draws, member=member),
        draws=draws,
        watched=asked.watched,
        workers=asked.workers,
        progress=tell,
    )
    return Members(draws, fires, asked.column_of)


def _in_words(plan: Plan, latest_departure_s: Mapping[Way, float | None]) -> str:
    """Say the present latest departures as clock times, for the progress line."""
    return ", ".join(
        f"{way} {plan.starts_at + timedelta(seconds=at_s):%H:%M}"
        for way, at_s in latest_departure_s.items()
        if at_s is not None
    )


def _members_wanted(scenario: Scenario, chosen: Mapping[Way, ChosenRoute], members: Members) -> int:
    """Say how many members there should be: as many as the plan asks, or until its leave-bys are precise enough.

    Judged by the latest departures, which the household has no part in: else one more task could end the drawing of
    members sooner, and luck then make a leave-by later.
    """
    plan = scenario.inputs.plan
    known = members.draws.members
    if known < plan.members or plan.precision_s is None:
        return plan.members
    widest_s = 0.0
    for candidate in chosen.values():
        leave_s = route_latest_s(scenario, candidate.ruled_by, members=members)
        found = bootstrap_precision(
            leave_s, plan.confidence, rng=stream(plan.seed, "resampled members"), wanted_s=plan.precision_s
        )
        widest_s = max(widest_s, half_width_s(found))
    return known if widest_s <= plan.precision_s else min(known + BATCH, plan.members_at_most)


def _last_resort(asked: _Asked, members: Members, *, leaving_ends_s: float) -> LastResort:
    scenario, fires = asked.scenario, members.fires
    return last_resort_side(
        scenario,
        members.draws,
        front_arrival_s=fires.point_arrival_s[:, 0],
        ember_arrival_s=fires.ember_s,
        leaving_ends_s=leaving_ends_s,
        choice=asked.choice,
        places=tuple(
            refuge_place(scenario, one, latest_s=route_latest_s(scenario, one.route, members=members))
            for one in asked.refuges
        ),
    )


def _day_before(asked: _Asked, timings: Mapping[Way, WayTiming]) -> dict[str, DayBefore]:
    """Say whether there is enough lead at all, for the ways with wheels."""
    scenario, choice = asked.scenario, asked.choice
    driven = {way: timings[way].route for way in WHEELS if way in timings}
    routes = {way: route for way, route in driven.items() if route is not None}
    if not routes:
        return {}
    days = day_fires(scenario, list(routes.values()), choice=choice, workers=asked.workers)
    return {
        str(way): day_before(scenario, asked.roads[way], timing=timings[way], choice=choice, fires=days)
        for way in routes
    }


def _triggers(
    asked: _Asked, timings: Mapping[Way, WayTiming]
) -> tuple[dict[str, NDArray[np.float64]], tuple[TriggerLine, ...]]:
    """Map the lead time of the ways with wheels, and draw their lines at the middle and at the asked confidence."""
    scenario, roads, choice = asked.scenario, asked.roads, asked.choice
    confidence = scenario.inputs.plan.confidence
    maps: dict[str, NDArray[np.float64]] = {}
    lines: list[TriggerLine] = []
    table = table_at(scenario, choice, z=CENTRAL_Z)
    wanted: list[tuple[Way, float, float, int]] = []
    for way in WHEELS:
        timing = timings.get(way)
        if timing is None or timing.route is None:
            continue
        from_s, until_s = decision_span_s(timing, horizon_s=scenario.inputs.plan.horizon_s)
        step = design_step(table, from_s=from_s, until_s=until_s)
        ready_s = {0.5: timing.ready_s.p50_s, confidence: timing.ready_at_confidence_s}
        wanted += [(way, level, ready_s[level], step) for level in sorted(ready_s)]

    def lead_of(one: tuple[Way, float, float, int]) -> NDArray[np.float64]:
        way, level, _, step = one
        return lead_time_of(scenario, roads[way], timing=timings[way], choice=choice, confidence=level, step=step)

    with ThreadPoolExecutor(max_workers=asked.workers) as pool:
        leads = list(pool.map(lead_of, wanted))
    for (way, level, ready, step), lead_s in zip(wanted, leads, strict=True):
        weather_at_s = float(scenario.weather.time_s[step])
        lines.append(
            trigger_line(scenario, lead_s, way=way, confidence=level, ready_s=ready, weather_at_s=weather_at_s)
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


def _which_way(asked: _Asked, timings: Mapping[Way, WayTiming], members: Members) -> dict[str, tuple[WayOutArea, ...]]:
    """Map which safe point can be left for latest, for fire at each place, where a way has more than one."""
    scenario, choice, plan = asked.scenario, asked.choice, asked.scenario.inputs.plan
    table = table_at(scenario, choice, z=CENTRAL_Z)
    found = {}
    for way in WHEELS:
        timing = timings.get(way)
        if timing is None or timing.route is None:
            continue
        routes = route_to_each(scenario, asked.candidates[way], members=members)
        from_s, until_s = decision_span_s(timing, horizon_s=plan.horizon_s)
        shown = way_out_map(
            scenario,
            asked.roads[way],
            timing=timing,
            routes=routes,
            choice=choice,
            confidence=plan.confidence,
            step=design_step(table, from_s=from_s, until_s=until_s),
            workers=asked.workers,
        )
        found[str(way)] = shown.areas
    return found


def _summary(asked: _Asked, central: Arrival, members: Members) -> FireSummary:
    fires = members.fires
    fastest_m_s, governing = fastest_head(asked.scenario, asked.choice)
    return FireSummary(
        arrival=central,
        home_p05_s=latest_at_confidence(fires.point_arrival_s[:, 0], 0.95),
        home_p50_s=latest_at_confidence(fires.point_arrival_s[:, 0], 0.5),
        ember_home_p05_s=latest_at_confidence(np.minimum(fires.ember_s, fires.point_arrival_s[:, 0]), 0.95),
        head_ros_m_s=fastest_m_s,
        governing=governing,
    )
