"""The household question, answered: by when to be rolling, for each way of leaving, and where the fire may be then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.closing import StretchCells, closing_times, select, stretch_cells
from leaveby.decision.fires.design import JUDGED_BY, PARTS, FireDesign, design_fires, design_members, first_fires
from leaveby.decision.fires.members import Draws, MemberFires, Members, pick_draws, pick_fires, plan_draws
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
from leaveby.decision.fires.solved import solve_fires
from leaveby.decision.household.assumptions import assumptions
from leaveby.decision.household.last_resort import RefugeRoute, last_resort_side, refuge_place, refuge_routes
from leaveby.decision.household.phases import last_exits_s, phases_of
from leaveby.decision.household.timetable import timetable
from leaveby.decision.household.what_ifs import SAMPLE, fastest_head, what_ifs
from leaveby.decision.lines.day_before import day_before, day_fires
from leaveby.decision.lines.landmarks import landmark_words, landmarks
from leaveby.decision.lines.triggers import decision_span_s, design_step, lead_time_of, trigger_line
from leaveby.decision.lines.which_way import route_to_each, way_out_map
from leaveby.decision.ways.precision import half_width_s, precision_of
from leaveby.decision.ways.result import (
    DayBefore,
    FireSummary,
    HouseholdResult,
    TriggerLine,
    WayOutArea,
    WayTiming,
    WhatIf,
)
from leaveby.decision.ways.roads import CandidateRoute, WayRoads, roads_for
from leaveby.decision.ways.route_fires import (
    choose_routes,
    gather_routes,
    share_burnt,
)
from leaveby.decision.ways.timing import ChosenRoute, route_latest_s, time_way
from leaveby.fire.arrival.solve import Arrival, arrive
from leaveby.fire.spread.validity import outside_validity
from leaveby.household.plan import Way, ways
from leaveby.household.shelter import LastResort
from leaveby.roads.network.graph import RoutingGraph, csr

EACH_SOLVED: Final = 250
"""Up to so many members each have their own fire solved; for more, a design of fires tells theirs."""

EACH_SOLVED_INSTEAD: Final = 500
"""So many members have their own fire solved where a design does not tell the leave-bys well enough."""

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
    fires = _Fires(asked, progress)
    found = _found_members(fires)
    members = found.members
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
        what_ifs=_what_ifs(fires, found, chosen, timings),
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
        )
        + found.said,
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


@dataclass(frozen=True)
class _Fires:
    """How the members' fires become known: each solved, or read off smooth functions of a design of fires."""

    asked: _Asked
    progress: Progress | None

    def solved(self, label: str, choice: FireChoice, draws: Draws) -> MemberFires:
        """Solve every member's own fire."""
        return solve_fires(
            self.asked.scenario,
            table_of=lambda member: member_table(self.asked.scenario, choice, draws=draws, member=member),
            draws=draws,
            watched=self.asked.watched,
            workers=self.asked.workers,
            progress=self._tell(label),
        )

    def design(self, label: str, choice: FireChoice, draws: Draws) -> FireDesign:
        """Solve a design of fires for the members."""
        return design_fires(
            self.asked.scenario,
            choice,
            watched=self.asked.watched,
            draws=draws,
            latest_of=self._latest_of,
            near_s=self.asked.scenario.inputs.plan.precision_s,
            workers=self.asked.workers,
            progress=self._tell(label),
        )

    def _latest_of(self, fires: MemberFires, draws: Draws) -> list[NDArray[np.float64]]:
        """Give the latest departures of every way on its best route under one ignition's fires."""
        scenario, candidates = self.asked.scenario, self.asked.candidates
        some = Members(draws, fires, self.asked.column_of)
        chosen = choose_routes(scenario, candidates, members=some, burnt_share=dict.fromkeys(scenario.safe_nodes, 0.0))
        return [route_latest_s(scenario, one.ruled_by, members=some) for one in chosen.values()]

    def _tell(self, label: str) -> Callable[[int, int], None] | None:
        if self.progress is None:
            return None
        told = self.progress
        return lambda done, total: told(label, done, total, "")


@dataclass(frozen=True)
class _Found:
    """The members with their fires, a sample of them whose own fires were solved, and what has to be said of it."""

    members: Members
    sample: Members
    by_design: bool
    said: tuple[str, ...] = ()


def _found_members(fires: _Fires) -> _Found:
    """Draw the members and learn their fires: by a design of fires, as long as that tells the leave-bys well enough."""
    asked = fires.asked
    scenario, plan = asked.scenario, asked.scenario.inputs.plan
    if plan.members <= EACH_SOLVED:
        return _each_solved(fires, plan.members)
    draws = plan_draws(plan, plan.members)
    design = fires.design("fires", asked.choice, draws)
    first = pick_draws(draws, np.arange(min(JUDGED_BY, plan.members)))
    members = Members(
        draws,
        design_members(scenario, design, draws),
        asked.column_of,
        solved=design.solved,
        left_out=tuple(
            Members(first, design_members(scenario, design, first, without=part), asked.column_of)
            for part in (None, *range(PARTS))
        ),
    )
    widest_s = 0.0
    burnt_share = share_burnt(scenario, members.fires)
    for one in choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share).values():
        latest_of = partial(_latest_on, scenario, one)
        widest_s = max(widest_s, half_width_s(precision_of(members, latest_of, confidence=plan.confidence)))
    if np.isinf(widest_s):
        why = (
            f"How near {design.solved} fires tell the leave-bys can't be said, so {EACH_SOLVED_INSTEAD} days were "
            "computed with a fire of their own each."
        )
        return replace(_each_solved(fires, EACH_SOLVED_INSTEAD), said=(why,))
    few = np.arange(SAMPLE)
    solved = pick_fires(first_fires(scenario, design), few)
    return _Found(members, Members(pick_draws(design.draws, few), solved, asked.column_of), by_design=True)


def _latest_on(scenario: Scenario, chosen: ChosenRoute, members: Members) -> NDArray[np.float64]:
    return route_latest_s(scenario, chosen.ruled_by, members=members)


def _each_solved(fires: _Fires, count: int) -> _Found:
    asked = fires.asked
    draws = plan_draws(asked.scenario.inputs.plan, count)
    members = Members(draws, fires.solved("members", asked.choice, draws), asked.column_of, solved=count)
    few = np.arange(min(SAMPLE, count))
    sample = Members(pick_draws(draws, few), pick_fires(members.fires, few), asked.column_of)
    return _Found(members, sample, by_design=False)


def _what_ifs(
    fires: _Fires, found: _Found, chosen: Mapping[Way, ChosenRoute], timings: Mapping[Way, WayTiming]
) -> tuple[WhatIf, ...]:
    asked, draws = fires.asked, found.members.draws

    def solve_all(label: str, choice: FireChoice) -> MemberFires:
        if found.by_design:
            return design_members(asked.scenario, fires.design(label, choice, draws), draws)
        return fires.solved(label, choice, draws)

    return what_ifs(
        asked.scenario,
        asked.choice,
        chosen=chosen,
        timings=timings,
        members=found.members,
        sample=found.sample,
        solve=fires.solved,
        solve_all=solve_all,
    )


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
