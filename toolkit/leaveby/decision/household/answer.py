"""The household question, answered: by when to be rolling, for each way of leaving, and where the fire may be then."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.design import FIRST, JUDGED_BY, PARTS, FireDesign, design_fires, design_members, first_fires
from leaveby.decision.fires.members import Draws, MemberFires, Members, first_of, pick_draws, pick_fires, plan_draws
from leaveby.decision.fires.scenario import CENTRAL_Z, HouseholdInputs, Scenario, district, member_table, table_at
from leaveby.decision.fires.solved import solve_fires
from leaveby.decision.household.assumptions import assumptions
from leaveby.decision.household.last_resort import last_resort_side
from leaveby.decision.household.phases import timetable
from leaveby.decision.household.timed import Asked, Timed, made_ready, refuse_too_large, time_ways
from leaveby.decision.household.what_ifs import SAMPLE, Held, fastest_head, what_ifs
from leaveby.decision.rules.rules import household_rules
from leaveby.decision.ways.confidence import half_width_s, precision_of
from leaveby.decision.ways.result import FireSummary, FirstAnswer, HouseholdResult, WhatIf
from leaveby.decision.ways.route_fires import choose_routes, share_burnt
from leaveby.decision.ways.timing import departures
from leaveby.fire.spread.validity import made_elsewhere, outside_validity
from leaveby.fire.weather.ratings import held_rule
from leaveby.household.plan import Plan

EACH_SOLVED: Final = 250
"""Up to so many members each have their own fire solved; for more, a design of fires tells theirs."""

EACH_SOLVED_INSTEAD: Final = 500
"""So many members have their own fire solved where a design does not tell the leave-bys well enough."""

NEAR_THE_LAST: Final = 0.7
"""In eight runs beside a fire's path the functions told the share of days that are shut at all a tenth too low."""

FEW: Final = 16
"""Fires of each ignition, a power of 2, from which a first answer is told."""

Progress = Callable[[str, int, int, str], None]
"""Called with what is computed, how many members are done, of how many, and the present leave-bys in words."""


def answer_household(
    inputs: HouseholdInputs,
    *,
    workers: int = 1,
    progress: Progress | None = None,
    first: Callable[[FirstAnswer], None] | None = None,
    room_bytes: float = np.inf,
) -> HouseholdResult:
    """Answer the household question.

    Parameters
    ----------
    workers, room_bytes
        Threads, on which the answer does not depend; memory that there is: what would take more is refused.
    progress : callable, optional
        Called with (what, done, total, present leave-bys in words).
    first : callable, optional
        Called with what few fires say, before the others are solved; not without a fire.

    Raises
    ------
    InputError
        With every fault of the plan's places, weather and fuel.
    """
    asked = made_ready(inputs, workers=workers)
    refuse_too_large(asked, room_bytes=room_bytes)
    scenario, plan = asked.scenario, inputs.plan
    fires = Fires(asked, progress)
    central = table_at(scenario, z=CENTRAL_Z)
    if first is not None and scenario.starts:
        draws = plan_draws(plan, JUDGED_BY)
        few = _told_by(fires.design("fires", scenario, draws, few=True), draws, asked=asked)
        first(FirstAnswer(plan, inputs.starts_at, time_ways(asked, few, central=central).ways))
    found = found_members(fires) if scenario.starts else _no_fires(asked)
    timed = time_ways(asked, found.members, central=central)
    rules = household_rules(
        scenario,
        asked.candidates,
        workers=workers,
        progress=None if progress is None else lambda done, total: progress("rules", done, total, ""),
    )
    today, held = held_rule(rules.today, inputs.ratings, scale=district(inputs).scale)
    rules = replace(rules, today=today, held=held)
    summary, shelter = _summary(timed), last_resort_side(timed)
    elsewhere = made_elsewhere(scenario.weather, scenario.zones, choice=scenario.choice, region=plan.roads.region)
    return HouseholdResult(
        plan=plan,
        start=inputs.starts_at,
        ways=timed.ways,
        fire=summary,
        rules=rules,
        shelter=shelter,
        what_ifs=_tried(timed, fires, found),
        timetable=timetable(
            timed.ways,
            fire=summary,
            way_phases=timed.way_phases,
            phases=timed.phases,
            shelter=shelter,
            confidence=plan.confidence,
        ),
        assumptions=assumptions(timed) + found.said + rules.assumptions,
        outside_validity=outside_validity(scenario.weather, scenario.zones, models=plan.fire.models),
        network=scenario.network,
        closing_s=timed.closing_s,
        home_xy_m=scenario.home_xy_m,
        safe_point_xy_m=scenario.safe_xy_m,
        terrain=inputs.terrain,
        members=found.members.draws.members,
        inputs=inputs.record,
        phases=timed.phases,
        way_phases=timed.way_phases,
        held=Held(timed, found.design),
        made_elsewhere=elsewhere,
    )


@dataclass(frozen=True)
class Fires:
    """How the members' fires become known: each solved, or read off smooth functions of a design of fires."""

    asked: Asked
    progress: Progress | None

    def solved(self, label: str, scenario: Scenario, draws: Draws) -> MemberFires:
        """Solve every member's own fire."""
        told = self.progress
        return solve_fires(
            scenario,
            table_of=lambda member: member_table(scenario, draws=draws, member=member),
            draws=draws,
            watched=self.asked.watched,
            workers=self.asked.workers,
            progress=None if told is None else lambda done, total: told(label, done, total, ""),
        )

    def design(self, label: str, scenario: Scenario, draws: Draws, *, few: bool = False) -> FireDesign:
        """Solve a design of fires for the members, as near as the plan asks or with few fires alone."""
        told = self.progress
        return design_fires(
            scenario,
            watched=self.asked.watched,
            draws=draws,
            latest_of=self._latest_of,
            near_s=np.inf if few else scenario.inputs.plan.precision_s,
            first=FEW if few else FIRST,
            workers=self.asked.workers,
            told=None if told is None else lambda done, total, at_s: told(label, done, total, self._in_words(at_s)),
        )

    def _latest_of(self, fires: MemberFires, draws: Draws) -> dict[str, NDArray[np.float64]]:
        """Give the latest departures of every way on its best route under one ignition's fires."""
        scenario, candidates = self.asked.scenario, self.asked.candidates
        some = Members(draws, fires, self.asked.column_of)
        chosen = choose_routes(scenario, candidates, members=some, burnt_share=dict.fromkeys(scenario.safe_nodes, 0.0))
        return {way: departures(scenario, one)(some) for way, one in chosen.items()}

    def _in_words(self, latest_s: Mapping[str, float]) -> str:
        start = self.asked.scenario.inputs.plan.starts_at
        known = {way: start + timedelta(seconds=at_s) for way, at_s in latest_s.items() if np.isfinite(at_s)}
        return ", ".join(f"{way} {at:%H:%M}" for way, at in known.items())


@dataclass(frozen=True)
class _Found:
    """The members with their fires, a sample of them whose own fires were solved, and what has to be said of it."""

    members: Members
    sample: Members
    design: FireDesign | None = None
    said: tuple[str, ...] = ()


def found_members(fires: Fires) -> _Found:
    """Draw the members and learn their fires: by a design of fires, as long as that tells the leave-bys well enough."""
    asked = fires.asked
    scenario, plan = asked.scenario, asked.scenario.inputs.plan
    if plan.members <= EACH_SOLVED:
        return _each_solved(fires, plan.members)
    draws = plan_draws(plan, plan.members)
    design = fires.design("fires", scenario, draws)
    members = _told_by(design, draws, asked=asked)
    burnt_share = share_burnt(scenario, members.fires)
    chosen = choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share)
    if any(_better_solved(members, departures(scenario, one), plan=plan) for one in chosen.values()):
        why = (
            f"{design.solved} fires tell the leave-bys less nearly than days with a fire of their own each, so "
            f"{EACH_SOLVED_INSTEAD} of those were computed."
        )
        return replace(_each_solved(fires, EACH_SOLVED_INSTEAD), said=(why,))
    few = np.arange(SAMPLE)
    solved = pick_fires(first_fires(design), few)
    return _Found(members, Members(pick_draws(design.draws, few), solved, asked.column_of), design)


def _told_by(design: FireDesign, draws: Draws, *, asked: Asked) -> Members:
    """Give members whose fires a design tells, beside some of them without each part of its fires."""
    some = first_of(draws, JUDGED_BY)
    return Members(
        draws,
        design_members(design, draws),
        asked.column_of,
        solved=design.solved,
        left_out=tuple(
            Members(some, design_members(design, some, part=part), asked.column_of) for part in range(PARTS + 1)
        ),
    )


def _better_solved(members: Members, latest_of: Callable[[Members], NDArray[np.float64]], *, plan: Plan) -> bool:
    """Whether fewer members with fires of their own would tell a leave-by more nearly than the functions do.

    So it is where the asked time lies near the last of those whom fire shuts the route at all: how many those are is
    what the functions tell worst.
    """
    late = 1.0 - plan.confidence
    shut = float(np.isfinite(latest_of(members)).mean())
    if NEAR_THE_LAST * late < shut < min(late / NEAR_THE_LAST, 1.0):
        return True
    width_s = half_width_s(precision_of(members, latest_of, confidence=plan.confidence))
    if width_s <= plan.precision_s:
        return False
    few = np.arange(min(EACH_SOLVED_INSTEAD, members.draws.members))
    alike = Members(pick_draws(members.draws, few), pick_fires(members.fires, few), members.column_of)
    return width_s >= half_width_s(precision_of(alike, latest_of, confidence=plan.confidence))


def _each_solved(fires: Fires, count: int) -> _Found:
    scenario, column_of = fires.asked.scenario, fires.asked.column_of
    draws = plan_draws(scenario.inputs.plan, count)
    members = Members(draws, fires.solved("fires", scenario, draws), column_of, solved=count)
    few = np.arange(min(SAMPLE, count))
    sample = Members(pick_draws(draws, few), pick_fires(members.fires, few), column_of)
    return _Found(members, sample)


def _tried(timed: Timed, fires: Fires, found: _Found) -> tuple[WhatIf, ...]:
    """The fires of all members under another choice are learnt as those under the plan's own were."""
    draws = found.members.draws

    def solve_all(label: str, other: Scenario) -> MemberFires:
        if found.design is None:
            return fires.solved(label, other, draws)
        return design_members(fires.design(label, other, draws), draws)

    return what_ifs(timed, found.sample, solve=fires.solved, solve_all=solve_all) if timed.asked.scenario.starts else ()


def _no_fires(asked: Asked) -> _Found:
    """Draw the members of a plan without fires of its own: their mornings and drives; nothing comes, nothing shuts."""
    plan = asked.scenario.inputs.plan
    points = 1 + len(asked.scenario.safe_cells)
    nothing = MemberFires(
        *(np.full((plan.members, *more), np.inf) for more in ((len(asked.column_of),), (points,), ()))
    )
    members = Members(plan_draws(plan, plan.members), nothing, asked.column_of)
    return _Found(members, members)


def _summary(timed: Timed) -> FireSummary | None:
    if not timed.asked.scenario.starts:
        return None
    fires = timed.members.fires
    front_s = fires.point_arrival_s[:, 0]
    fastest_m_s, governing = fastest_head(timed.asked.scenario)
    return FireSummary(
        arrival=timed.arrival,
        home_p05_s=latest_at_confidence(front_s, 0.95),
        home_p50_s=latest_at_confidence(front_s, 0.5),
        ember_home_p05_s=latest_at_confidence(np.minimum(fires.ember_s, front_s), 0.95),
        head_ros_m_s=fastest_m_s,
        governing=governing,
    )
