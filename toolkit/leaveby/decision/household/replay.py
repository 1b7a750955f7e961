"""The computed rule against fires it has not seen: a household walked minute by minute through one member at a time.

The leave-by times come from formulas over whole samples. Here nothing of them is used but the moment at which getting
ready starts: one member is taken as what really happens, the household packs for as long as that member's tasks take
and waits until its people come home, then drives stretch by stretch at that member's own speed, and is caught when it
is on, or enters, a stretch that is shut at that moment. Counted over many members drawn anew, at confidence 0.95 no
more than 5 % may be caught, within what sampling allows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import betabinom

from leaveby.decision.fires.members import Members, Progress, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, member_table
from leaveby.decision.fires.solved import solve_fires
from leaveby.decision.household.timed import made_ready
from leaveby.decision.ways.neighbours import Stream
from leaveby.decision.ways.result import WAY_WORDS, HouseholdResult, WayTiming
from leaveby.decision.ways.timing import mornings_of
from leaveby.errors import refuse, refused
from leaveby.household.readiness import ready_times
from leaveby.parameters import JAM_SPACING_M, TRAILER_AS_CARS
from leaveby.roads.clearance.bottleneck import pass_bottleneck
from leaveby.roads.clearance.queue import rolling_share

STEP_S: Final = 60.0
PACKING: Final = -1
_SLACK_S: Final = 1e-6
"""A stretch left at the very moment it shuts was passed; adding minutes up must not turn that into caught."""


@dataclass(frozen=True)
class Truth:
    """What really happens in one member, on the route of one way of leaving.

    - `ready_s`: how long getting ready takes, the waiting for people who are away included.
    - `travel_s`, `closing_s`, shape (stretches,): time on each stretch in travel order, at this member's own speed, and
      when it shuts; inf where it does not.
    """

    ready_s: float
    travel_s: NDArray[np.float64]
    closing_s: NDArray[np.float64]


@dataclass(frozen=True)
class Walk:
    """How it went: times are inf, and the stretch -1, where it did not come to that.

    - `arrived_s`: when the last stretch was left.
    - `caught_s`, `caught_on`: first moment on a stretch that is shut, and which stretch of the route.
    - `trail`: the end of every minute, and the stretch of the route then; -1 while packing, the number of stretches on
      arrival.
    """

    rolled_s: float
    arrived_s: float
    caught_s: float
    caught_on: int
    trail: tuple[tuple[float, int], ...]

    @property
    def caught(self) -> bool:
        """Whether the household was on a stretch that is shut."""
        return self.caught_on >= 0


@dataclass(frozen=True)
class Replay:
    """One way of leaving, replayed over many truths.

    - `start_s`: when getting ready started in all of them: the computed latest start; None, and `why`, when there is
      none to follow.
    - `caught`: on a stretch that was shut.
    - `within_margin`: on a stretch that was shut, or would shut before the margin is over. The leave-by promises this
      count.
    - `allowed`: the count that `within_margin` passes once in a thousand such replays if the leave-by holds what it
      says.
    """

    way: str
    start_s: float | None
    why: str
    truths: int
    caught: int
    within_margin: int
    allowed: int

    @property
    def caught_share(self) -> float:
        """Share of the truths in which the household was caught."""
        return self.caught / self.truths if self.truths else 0.0

    @property
    def within_margin_share(self) -> float:
        """Share of the truths in which the margin was not kept."""
        return self.within_margin / self.truths if self.truths else 0.0

    def __str__(self) -> str:
        """One sentence."""
        words = WAY_WORDS[self.way]
        if self.start_s is None:
            return f"Leaving {words} was not replayed. {self.why}"
        return (
            f"Leaving {words} as computed, in {self.truths} fires drawn anew: caught in {self.caught} "
            f"({100.0 * self.caught_share:.1f} %), without the full margin in {self.within_margin} "
            f"({100.0 * self.within_margin_share:.1f} %)."
        )


def replay(truth: Truth, start_s: float, *, margin_s: float = 0.0, step_s: float = STEP_S) -> Walk:
    """Walk a household that starts getting ready at `start_s` through one truth, minute by minute.

    Every stretch is taken to shut `margin_s` sooner; 0 for what really happens. What happens does not depend on the
    length of a step. Raises InputError for a time that is not finite, or a step that is not above 0.

    Examples
    --------
    >>> truth = Truth(600.0, np.array([120.0, 300.0]), np.array([np.inf, 1500.0]))
    >>> walk = replay(truth, 400.0)
    >>> walk.caught, walk.rolled_s, walk.arrived_s
    (False, 1000.0, 1420.0)
    >>> late = replay(truth, 500.0)
    >>> late.caught_on, late.caught_s
    (1, 1500.0)
    """
    stretches = truth.travel_s.size
    known = np.array([start_s, truth.ready_s, margin_s, *truth.travel_s])
    if not (np.all(np.isfinite(known)) and np.all(known[1:] >= 0.0) and 0.0 < step_s < np.inf):
        raise refused("the replay", "replay_of_missing_times")
    if truth.closing_s.shape != truth.travel_s.shape or bool(np.any(np.isnan(truth.closing_s))):
        closings = truth.closing_s.size
        raise refused("the replay", "replay_of_other_closings", closings=closings, stretches=stretches)
    rolled_s = start_s + truth.ready_s
    trail: list[tuple[float, int]] = []
    now_s, at = start_s, 0
    left_s = float(truth.travel_s[0]) if stretches else 0.0
    while at < stretches:
        until_s = now_s + step_s
        moment_s = max(now_s, rolled_s)
        while at < stretches and moment_s < until_s:
            entered_s = moment_s
            spent_s = min(left_s, until_s - moment_s)
            moment_s += spent_s
            left_s -= spent_s
            shut_s = float(truth.closing_s[at]) - margin_s
            # Roads only shut, so the end of a piece of time on a stretch decides for the whole piece.
            if shut_s < moment_s - _SLACK_S:
                trail.append((max(entered_s, shut_s), at))
                return Walk(rolled_s, np.inf, max(entered_s, shut_s), at, tuple(trail))
            if left_s <= 0.0:
                at += 1
                left_s = float(truth.travel_s[at]) if at < stretches else 0.0
        trail.append((until_s, at if until_s > rolled_s else PACKING))
        now_s = until_s
    return Walk(rolled_s, moment_s if stretches else rolled_s, np.inf, -1, tuple(trail))


@dataclass(frozen=True)
class OtherCars:
    """The neighbours' cars of one truth on the route, by the stretch before which each comes onto it.

    - `stretch`, `come_s`, `stands_for`, shape (cars,): which, when, and for how many cars it counts.
    - `headway_s`, `length_m`, shape (stretches,): how long a car takes to pass each stretch, and its length.
    """

    stretch: NDArray[np.int64]
    come_s: NDArray[np.float64]
    stands_for: NDArray[np.float64]
    headway_s: NDArray[np.float64]
    length_m: NDArray[np.float64]


def among_others(travel_s: NDArray[np.float64], rolled_s: float, others: OtherCars) -> NDArray[np.float64]:
    """Drive a route among other cars: how long each stretch then takes, standing in queues on it with it.

    Car by car, and every stretch a narrow place. There one stands behind all who came before, as far back as they
    reach, and moves up as they pass: a stretch is left when so few are ahead that its end is reached. Those who have
    passed drive on at one's own pace. What `decision.ways.neighbours` adds up is not used.

    Examples
    --------
    Two cars come to the second stretch after 10 s, each 30 s at its beginning: one is on it after 70 s instead of 20.

    >>> two = OtherCars(np.ones(2, dtype=int), np.full(2, 10.0), np.ones(2), np.array([1.0, 30.0]), np.full(2, 400.0))
    >>> among_others(np.array([20.0, 50.0]), 0.0, two).tolist()
    [70.0, 50.0]
    """
    leaves_s, ends_m = rolled_s + np.cumsum(travel_s), np.cumsum(others.length_m)
    on_s, stands_for = np.zeros(0), np.zeros(0)
    for at in range(travel_s.size):
        joins = others.stretch == at
        come_s = np.concatenate([on_s + (travel_s[at - 1] if at else 0.0), others.come_s[joins]])
        order = np.argsort(come_s, kind="stable")
        stands_for = np.concatenate([stands_for, others.stands_for[joins]])[order]
        takes_s = others.headway_s[at] * stands_for
        on_s = pass_bottleneck(come_s[order], headway_s=np.append(0.0, takes_s)[:-1])
        free_s = on_s + takes_s
        reached_s = float(leaves_s[at - 1]) if at else rolled_s
        ahead = int(np.searchsorted(come_s[order], reached_s, side="right"))
        if not ahead or free_s[ahead - 1] <= reached_s:
            continue
        for stretch in range(at):
            stand = ahead - int((ends_m[at - 1] - ends_m[stretch]) / JAM_SPACING_M.value)
            if stand > 0:
                leaves_s[stretch] = max(leaves_s[stretch], free_s[stand - 1])
        leaves_s[at:] = free_s[ahead - 1] + np.cumsum(travel_s[at:])
    return np.diff(leaves_s, prepend=rolled_s)


def others_of(
    stream: Stream,
    edges: NDArray[np.int64],
    *,
    travel_s: NDArray[np.float64],
    rolled_s: float,
    rng: np.random.Generator,
) -> OtherCars:
    """Draw where the neighbours of one truth live along the route and when they set out, and which of them tow."""
    cars = stream.cars[edges].astype(np.int64)
    joins = np.diff(np.maximum.accumulate(cars), prepend=0)
    # whoever is on the first shared stretch may as well live farther on, behind the single exit
    shared = np.flatnonzero(cars > 0)
    behind = shared[np.isin(edges[shared], stream.must_pass)]
    stretch = np.repeat(np.arange(cars.size), joins)
    lives = rng.choice(behind if behind.size else shared, stretch.size)
    stretch = np.where(stretch == shared[0], lives, stretch)
    set_out_s = np.full(stretch.size, rolled_s)
    if stream.set_out == "over time":
        told_s = rolled_s - rng.uniform(0.0, stream.curve.last_s) if stream.told_s is None else stream.told_s
        curve_s = np.linspace(0.0, stream.curve.last_s, 2001)
        set_out_s = told_s + np.interp(rng.random(stretch.size), rolling_share(stream.curve, curve_s), curve_s)
    drive_s = rng.random(stretch.size) * (np.cumsum(travel_s) - travel_s)[stretch]
    tows = rng.permutation(stretch.size) < stream.towing_share * stretch.size
    return OtherCars(
        stretch,
        set_out_s + drive_s,
        np.where(tows, TRAILER_AS_CARS.value, 1.0),
        stream.headway_s[edges] / (1.0 + stream.towing_share * (TRAILER_AS_CARS.value - 1.0)),
        stream.length_m[edges],
    )


def most_caught(truths: int, *, members: int, rank: int, level: float = 0.999) -> int:
    """Give the count of caught that is passed with a chance of only 1 - level if the leave-by holds.

    The leave-by is itself an order statistic of its members, the `rank`-th from below, so the chance of being caught is
    not one number but has a beta distribution, whatever the distribution of the latest starts is; the count over
    `truths` others then has a beta-binomial one (order statistics of a continuous distribution, common knowledge).

    Examples
    --------
    >>> most_caught(200, members=200, rank=11), most_caught(100_000, members=100_000, rank=5001)
    (29, 5306)
    """
    return int(betabinom.ppf(level, truths, rank, members + 1 - rank))


def replay_way(
    timing: WayTiming,
    *,
    ready_s: NDArray[np.float64],
    edge_time_s: NDArray[np.float64],
    drive_factor: NDArray[np.float64],
    closing_s: NDArray[np.float64],
    margin_s: float,
    among: Callable[[NDArray[np.float64], float], NDArray[np.float64]] | None = None,
) -> Replay:
    """Replay one way of leaving over many truths: none, with a reason, when there is no latest start to follow.

    `among` gives what travel times become among the neighbours' cars, for whoever rolls at a moment.

    Ready times and drive factors have shape (truths,), travel times (stretches,), closings (truths, stretches).
    """
    start_s = timing.latest_start_s
    if start_s is None or timing.route is None:
        return Replay(timing.way, None, timing.why, 0, 0, 0, 0)
    caught, within = 0, 0
    for number in range(ready_s.size):
        travel_s = edge_time_s * drive_factor[number]
        if among is not None:
            travel_s = among(travel_s, start_s + float(ready_s[number]))
        truth = Truth(float(ready_s[number]), travel_s, closing_s[number])
        caught += replay(truth, start_s).caught
        within += replay(truth, start_s, margin_s=margin_s).caught
    sample_s = timing.member_latest_start_s
    rank = int(np.searchsorted(sample_s, start_s, side="left")) + 1
    allowed = most_caught(ready_s.size, members=sample_s.size, rank=min(rank, sample_s.size))
    return Replay(timing.way, start_s, "", int(ready_s.size), caught, within, allowed)


def replay_many(
    inputs: HouseholdInputs,
    result: HouseholdResult,
    *,
    truths: int,
    rng: np.random.Generator,
    workers: int = 1,
    progress: Progress | None = None,
) -> dict[str, Replay]:
    """Hold an answer against fires drawn anew: how often is a household that follows it caught, by each way of leaving?

    - `inputs`, `result`: the answer's, from `answer_household`.
    - `truths`: how many fires to draw and solve, 1 or more, over so many threads (`workers`).
    - `rng`: with another seed than the plan's, or the household meets the very fires it was timed on.
    - `progress`: called with (truths solved, truths).

    Raises InputError when there is nothing to draw, or the answer belongs to other inputs.
    """
    if truths < 1:
        raise refuse("truths", f"are {truths}", expected="1 or more", mend="ask for 200, say")
    asked = made_ready(inputs, workers=workers)
    scenario, network = asked.scenario, asked.scenario.network
    if network.edge_count != result.network.edge_count:
        answered, given = result.network.edge_count, network.edge_count
        raise refused("the replay", "replay_of_other_inputs", answered=answered, given=given)
    plan = inputs.plan
    draws = plan_draws(plan, truths, seed=int(rng.integers(2**62)))
    fires = solve_fires(
        scenario,
        table_of=lambda truth: member_table(scenario, draws=draws, member=truth),
        draws=draws,
        watched=asked.watched,
        workers=workers,
        progress=progress,
    )
    truths_met = Members(draws, fires, asked.column_of)
    mornings = mornings_of(scenario, draws)
    found: dict[str, Replay] = {}
    for way, roads in asked.roads.items():
        timing = result.ways[way]
        route = np.array(() if timing.route is None else timing.route.edges, dtype=np.int64)
        found[way] = replay_way(
            timing,
            ready_s=ready_times(mornings, way, policy=timing.schedule),
            edge_time_s=roads.time_s[route],
            drive_factor=draws.drive_factor,
            closing_s=truths_met.closing_on(route),
            margin_s=plan.margin_s,
            among=_among(roads.neighbours, route, rng),
        )
    return found


def _among(
    stream: Stream | None, route: NDArray[np.int64], rng: np.random.Generator
) -> Callable[[NDArray[np.float64], float], NDArray[np.float64]] | None:
    if stream is None or stream.set_out == "gone before" or not (stream.cars[route] > 0.0).any():
        return None

    def among(travel_s: NDArray[np.float64], rolled_s: float) -> NDArray[np.float64]:
        return among_others(travel_s, rolled_s, others_of(stream, route, travel_s=travel_s, rolled_s=rolled_s, rng=rng))

    return among


def caught_in_words(found: Mapping[str, Replay], *, confidence: float) -> tuple[str, ...]:
    """Say how a replay went, one sentence for each way, and what was promised.

    Examples
    --------
    >>> one = Replay("car", 600.0, "", 200, 3, 9, 28)
    >>> for sentence in caught_in_words({"car": one}, confidence=0.95):
    ...     print(sentence)
    The leave-by times are made so that in at most 5 % of the fires the margin is not kept.
    Leaving by car, without the house as computed, in 200 fires drawn anew: caught in 3 (1.5 %), without the full
    margin in 9 (4.5 %).
    """
    promised = f"{100.0 * (1.0 - confidence):.3g} %"
    return (
        f"The leave-by times are made so that in at most {promised} of the fires the margin is not kept.",
        *(str(one) for one in found.values()),
    )
