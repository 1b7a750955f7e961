"""The drill, for a trainer at a table with a community group: how fast is fast, and when would you have left?

The same morning is played once for each speed of the fire. Each round has its injects, its pauses at which every group
writes down when it would start to get ready and how it would leave, and a debrief that places every answer on the
clear-probability curve of that way of leaving in that round.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from leaveby.decision.drill import fire as fires
from leaveby.decision.drill import injects as said
from leaveby.decision.drill.result import (
    Answer,
    Drill,
    DrillScript,
    OwnInject,
    Placed,
    Round,
    begin_fault,
    pause_fault,
)
from leaveby.decision.fires.scenario import HouseholdInputs, central_ignitions
from leaveby.decision.fires.solved import earliest_about, embers_at
from leaveby.decision.household.assumptions import assumptions
from leaveby.decision.household.timed import Timed, made_ready
from leaveby.decision.ways.confidence import share_clear
from leaveby.decision.ways.result import WayTiming
from leaveby.errors import Fault, InputError, fault_of, refused
from leaveby.fire.spread.validity import made_elsewhere, outside_validity
from leaveby.parameters import FASTEST_HEAD_M_S, IN_SIGHT_M, REPORTED_AFTER_S
from leaveby.regions import sentences
from leaveby.units import Measures, far_words, km_h_from_m_s, min_from_s, speed_words

Progress = Callable[[str, int, int, str], None]
"""Called with what is computed, how many members are done, of how many, and "" (as for the household question)."""


def answer_drill(
    inputs: HouseholdInputs, script: DrillScript, *, workers: int = 1, progress: Progress | None = None
) -> Drill:
    """Run a drill: a round for each speed of the script, then the plan's own fire where that is asked for.

    `inputs` are those of the script's plan; the drill does not depend on the number of threads (`workers`). The faults
    of the plan's places, weather and fuel, an exercise that begins before the weather does, and a speed that the fire
    can't have towards the home are an InputError.
    """
    plan = replace(inputs.plan, members=script.members)
    ready = made_ready(replace(inputs, plan=plan), workers=workers)
    scenario = ready.scenario
    if faults := begin_fault(script, weather_from_s=float(scenario.weather.time_s[0])):
        raise InputError(faults)
    draws = fires.drill_draws(plan)
    own = fires.own_fire(scenario)
    towards = fires.home_run(scenario, own.central)
    asked = [fires.fire_at_speed(scenario, run=towards, speed_m_s=speed_m_s) for speed_m_s in script.speeds_m_s]
    rounds: list[Round] = []
    supposed: list[str] = []
    for number, fire in enumerate([*asked, own] if script.own_fire else asked, start=1):
        timed = fires.time_run(
            ready,
            fire,
            draws=draws,
            progress=None if progress is None else _told(progress, fire_words(fire.speed_m_s, plan.measures)),
        )
        rounds.append(_run(script, timed, number=number, fire=fire, towards=towards))
        supposed += assumptions(timed)
    return Drill(
        name=script.name,
        script=script,
        plan=plan,
        start=plan.starts_at,
        rounds=tuple(rounds),
        members=draws.members,
        assumptions=_assumed(towards, script, supposed),
        outside_validity=outside_validity(scenario.weather, scenario.zones, models=plan.fire.models),
        network=scenario.network,
        terrain=inputs.terrain,
        home_xy_m=scenario.home_xy_m,
        safe_point_xy_m=scenario.safe_xy_m,
        reported_s=said.reported_at(scenario),
        inputs={**inputs.record, "members": str(script.members)},
        notes=(
            *made_elsewhere(scenario.weather, scenario.zones, choice=scenario.choice, region=plan.roads.region),
            *(str(fault) for fault in pause_fault(script)),
        ),
    )


def fire_words(speed_m_s: float | None, measures: Measures) -> str:
    """Name a round by its speed, for the trainer.

    >>> from leaveby.units import METRIC
    >>> fire_words(12.0 / 3.6, METRIC), fire_words(None, METRIC)
    ('fire at 12 km/h', "the plan's own fire")
    """
    return "the plan's own fire" if speed_m_s is None else f"fire at {speed_words(speed_m_s, measures, '.4g')}"


def _told(progress: Progress, what: str) -> Callable[[int, int], None]:
    return lambda done, total: progress(what, done, total, "")


def _run(
    script: DrillScript,
    timed: Timed,
    *,
    number: int,
    fire: fires.RunFire,
    towards: fires.HomeRun,
) -> Round:
    scenario, arrival, speed_m_s = timed.asked.scenario, timed.arrival, fire.speed_m_s
    plan, home_cell, started = scenario.inputs.plan, scenario.home_cell, central_ignitions(scenario)
    ember_s = embers_at(scenario, fire.central, started, time_s=arrival.time_s, cell=home_cell)
    home_s = earliest_about(arrival.time_s, home_cell[0], col=home_cell[1])
    end_s = home_s if np.isfinite(home_s) else plan.horizon_s
    shuts = said.street_shuts(scenario, timed)
    computed = said.computed_injects(
        scenario, timed, shuts=shuts, begin_s=script.begin_s, end_s=end_s, ember_s=ember_s, home_s=home_s
    )
    mine, outside = said.own_injects(script.injects, speed_m_s=speed_m_s, begin_s=script.begin_s, end_s=end_s)
    moments, reported_s = pause_moments(script, end_s=end_s), said.reported_at(scenario)
    run = Round(
        number=number,
        speed_m_s=speed_m_s,
        scale=fire.scale,
        run_from=plan.ignitions[towards.fire].name,
        run_m=towards.length_m,
        ways=timed.ways,
        phases=timed.phases,
        arrival=arrival,
        shuts=shuts,
        home_s=home_s,
        ember_s=ember_s,
        end_s=end_s,
        injects=tuple(sorted([*computed, *mine], key=lambda one: (one.at_s, one.facilitator_only))),
        pauses=tuple(
            said.pause_at(scenario, arrival, number=place, at_s=at_s, reported_s=reported_s)
            for place, at_s in enumerate(moments, start=1)
        ),
        placed=(),
    )
    answers = [one for one in script.answers if one.speed_m_s is None or one.speed_m_s == speed_m_s]
    placed = tuple(place_answer(run, one) for one in answers if one.pause <= len(moments))
    late = [one for one in answers if one.pause > len(moments)]
    notes = [str(fault) for fault in _round_faults(script, run, outside=outside, late=late)]
    if not np.isfinite(home_s):
        notes.append(
            f"The front does not come to the home within {plan.horizon_s / 3600.0:g} hours in this round; roads may "
            "shut all the same."
        )
    return replace(run, placed=placed, notes=tuple(notes))


def _round_faults(
    script: DrillScript, run: Round, *, outside: Sequence[OwnInject], late: Sequence[Answer]
) -> Iterator[Fault]:
    """What was left out of a round, or comes in it when nobody can leave any more, and how to mend it."""
    start, shut_s = script.plan.starts_at, max(run.phases.shut_from_s, 0.0)
    begin, end, shut = (said.clock(start, at_s) for at_s in (script.begin_s, run.end_s, min(shut_s, run.end_s)))
    place = f"{script.file}: [pauses] {script.pauses_key}"
    ended = [number for number, at_s in enumerate(script.pauses_s, start=1) if at_s >= run.end_s]
    cut_off = [pause.number for pause in run.pauses if pause.at_s >= shut_s]
    if ended:
        verb, they = ("lies", "it is") if len(ended) == 1 else ("lie", "they are")
        pauses = f"{_numbered(ended)} {verb}"
        yield fault_of(place, "pauses_after_end", pauses=pauses, round=run.number, at=end, they=they)
    if cut_off:
        yield fault_of(place, "pauses_after_shut", pauses=_numbered(cut_off), round=run.number, at=shut)
    for one in outside:
        yield fault_of(f"{script.file}: {one.where}", "inject_outside_round", round=run.number, begin=begin, end=end)
    for answer in late:
        yield fault_of(
            f"{script.file}: {answer.where}",
            "answer_after_end",
            group=answer.group,
            pause=answer.pause,
            round=run.number,
        )


def _numbered(pauses: Sequence[int]) -> str:
    """Name pauses that follow each other.

    >>> _numbered([3]), _numbered([3, 4, 5])
    ('pause 3', 'pauses 3 to 5')
    """
    return f"pause {pauses[0]}" if len(pauses) == 1 else f"pauses {pauses[0]} to {pauses[-1]}"


def pause_moments(script: DrillScript, *, end_s: float) -> tuple[float, ...]:
    """Give the moments of a round's pauses: those of the script before the round ends."""
    if script.every_s is None:
        return tuple(at_s for at_s in script.pauses_s if at_s < end_s)
    count = int(np.ceil((end_s - script.begin_s) / script.every_s - 1e-9))
    return tuple(script.begin_s + script.every_s * number for number in range(max(count, 0)))


def place_answer(run: Round, answer: Answer) -> Placed:
    """Place an answer on the clear-probability curve of its way of leaving in a round, that of the household question.

    A way that the household has not, or one other than staying that has no time, is an InputError.
    """
    if answer.way == "stay":
        return Placed(answer, None, None, None, (), ())
    timing = run.ways.get(answer.way)
    if timing is None or answer.start_s is None:
        no_way = f"{answer.way!r} is no way of leaving of this household"
        wrong, ways = no_way if timing is None else "has no time of starting", ", ".join([*run.ways, "stay"])
        raise refused(f"answer of {answer.group}", "answer_of_no_way", wrong=wrong, ways=ways)
    clear = float(share_clear(timing.member_latest_start_s, np.array([answer.start_s]))[0])
    early_s = None if timing.latest_start_s is None else timing.latest_start_s - answer.start_s
    return Placed(
        answer,
        clear,
        timing.latest_start_s,
        early_s,
        _shut_by(run, timing, answer.start_s),
        _shut_by(run, timing, answer.start_s + timing.ready_s.p50_s),
    )


def _shut_by(run: Round, timing: WayTiming, at_s: float) -> tuple[str, ...]:
    """Streets of a way's route that are shut at a moment in the central run, in the order in which they shut.

    Before the first ignition nothing is shut, though a closing less its smoke lead may be reckoned from before it.
    """
    return tuple(one.street for one in run.shuts if timing.way in one.ways and one.at_s <= at_s and at_s >= 0.0)


def _assumed(towards: fires.HomeRun, script: DrillScript, supposed: Sequence[str]) -> tuple[str, ...]:
    measures = script.plan.measures
    own = sentences(
        "decision/drill/assumptions.txt.j2",
        towards=towards,
        script=script,
        far=lambda length_m: far_words(length_m, measures),
        speed=lambda speed_m_s, form: speed_words(speed_m_s, measures, form),
        fastest_km_h=km_h_from_m_s(FASTEST_HEAD_M_S.value),
        reported_min=min_from_s(REPORTED_AFTER_S.value),
        in_sight_km=IN_SIGHT_M.value / 1000.0,
    )
    return tuple(dict.fromkeys((*own, *supposed)))
