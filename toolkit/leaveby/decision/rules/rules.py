"""Rules that hold for any fire: one backward solve for each rating, wind, hour and route, put together.

Lines are drawn for wind that may come from anywhere and change as it likes, so that they hold whatever the forecast
says of it; how many starts are too near is counted wind by wind. A higher rating's rule is never weaker than a lower
one's, nor than what the rating itself tells people to do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from itertools import product
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter

from leaveby.compiling import threads
from leaveby.confidence import longest_at_confidence
from leaveby.decision.fires.closing import stretch_cells
from leaveby.decision.fires.members import Draws, plan_draws
from leaveby.decision.fires.scenario import Scenario, bridged, district, ratings_days
from leaveby.decision.lines.landmarks import landmark_words, landmarks
from leaveby.decision.lines.triggers import BEARINGS_DEG, area_of, distances_to_line
from leaveby.decision.rules.too_near import (
    DayFires,
    Fastest,
    Ground,
    Needs,
    RouteCells,
    Threshold,
    day_fires,
    edges_of,
    fastest,
    hours_of,
    lead_map,
    learning_times_s,
    reference_table,
    route_cells,
    steps_between,
    threshold,
)
from leaveby.decision.rules.words import RULE_ASSUMPTIONS, rule_sentence, verdict_of, way_out_sentence
from leaveby.decision.ways.result import HourShare, Rule, Rules, TriggerLine, WayOutArea
from leaveby.decision.ways.roads import CandidateRoute
from leaveby.decision.ways.timing import readiness_of
from leaveby.errors import refused
from leaveby.fire.terrain import Grid, cell_of, gradients
from leaveby.fire.weather.ratings import HeldRule, RatedDay, rating_of
from leaveby.fire.weather.series import LIMITS, Weather
from leaveby.household.plan import LIKE_THE_PLANS
from leaveby.household.plan_tables import Way
from leaveby.parameters import TIE_S, WIND_CHANGE_DEG

MEMBERS: Final = 2000
"""So many members put their needs together; ready times repeat after as many."""


@dataclass(frozen=True)
class Asked:
    """What rules are asked for: the ground, what each way of leaving needs, and its routes.

    - `draws`: the members, common to all.
    - `routes`: by way of leaving, the quickest to each safe point, without those that only go on where another ends; a
      way without any has no rules.
    - `cells`: where fire shuts each of them.
    """

    scenario: Scenario
    ground: Ground
    draws: Draws
    needs: Mapping[Way, Needs]
    routes: Mapping[Way, tuple[CandidateRoute, ...]]
    cells: Mapping[Way, tuple[RouteCells, ...]]
    workers: int


def household_rules(
    scenario: Scenario,
    candidates: Mapping[Way, Sequence[CandidateRoute]],
    *,
    workers: int,
    progress: Callable[[int, int], None] | None = None,
) -> Rules:
    """Make a household's rules for the ratings that its local forecast uses."""
    asked = asked_of(scenario, candidates, workers=workers)
    inputs = scenario.inputs
    days = [replace(day, weather=at_home(scenario, day.weather)) for day in ratings_days(inputs)]
    like_the_plans = [day.name for day in days if day.name == LIKE_THE_PLANS]
    today = like_the_plans[0] if like_the_plans else rating_of(inputs.weather, district=district(inputs))
    return rules_for(asked, days, today=today, progress=progress)


def asked_of(scenario: Scenario, candidates: Mapping[Way, Sequence[CandidateRoute]], *, workers: int) -> Asked:
    """Make ready what rules need of a household: its ways with wheels, or on foot where it has no others."""
    plan = scenario.inputs.plan
    driven: dict[Way, Sequence[CandidateRoute]] = {
        way: found for way, found in candidates.items() if found and way != "foot"
    }
    used = driven or {way: found for way, found in candidates.items() if found}
    draws = plan_draws(plan, MEMBERS)
    learns_s = learning_times_s(plan, MEMBERS)
    kept_s = plan.margin_s + plan.roads.smoke_lead_s
    needs = {way: Needs(way, draws, learns_s, readiness_of(scenario, way, draws).ready_s, kept_s) for way in used}
    first = {way: _quickest(found) for way, found in used.items()}
    ground, every = ground_of(scenario), [one for found in first.values() for one in found]
    shut_by = stretch_cells(
        ground.grid,
        [scenario.network.geometry[edge] for edge in edges_of(every)],
        standoff_m=plan.roads.standoff_m,
    )
    routes, cells = {}, {}
    for way, found in first.items():
        where = route_cells(ground, found, edges=edges_of(every), shut_by=shut_by)
        kept = [number for number in range(len(found)) if not _goes_on(number, where, found)]
        routes[way] = tuple(found[number] for number in kept)
        cells[way] = tuple(where[number] for number in kept)
    return Asked(scenario, ground, draws, needs, routes, cells, workers)


def _quickest(found: Sequence[CandidateRoute]) -> tuple[CandidateRoute, ...]:
    """Keep the quickest route to each safe point, in order of time."""
    first: dict[str, CandidateRoute] = {}
    for one in sorted(found, key=lambda candidate: candidate.time_s):
        first.setdefault(one.safe_point, one)
    return tuple(first.values())


def _goes_on(number: int, where: Sequence[RouteCells], routes: Sequence[CandidateRoute]) -> bool:
    """Whether a route passes all cells of a quicker one no sooner: fire never leaves it more time."""
    held_up_s = [one.held_up_s for one in routes]
    mine = {tuple(xy): cleared_s for xy, cleared_s in zip(where[number].xy_m, where[number].cleared_s, strict=True)}
    return any(
        all(mine.get(tuple(xy), -1.0) >= cleared_s for xy, cleared_s in zip(other.xy_m, other.cleared_s, strict=True))
        for other, its_s in zip(where[:number], held_up_s, strict=False)
        if its_s <= held_up_s[number]
    )


def ground_of(scenario: Scenario) -> Ground:
    """Lay out the ground on which fires may start: the wide one of the plan, or else its own."""
    inputs, plan = scenario.inputs, scenario.inputs.plan
    wide = inputs.wide
    terrain, fuel = (inputs.terrain, inputs.fuel) if wide is None else (wide.terrain, wide.fuel)
    grid = terrain.grid
    zones, burnable = bridged(fuel, at_home(scenario, inputs.weather))
    home_x_m, home_y_m = scenario.home_xy_m
    east_m, north_m = np.meshgrid(grid.x_m - home_x_m, grid.y_m - home_y_m)
    radius_m = plan.rules.radius_m
    down = gradients(terrain)
    if scenario.choice.set_m_s is not None:
        down = (np.zeros_like(down[0]), np.zeros_like(down[1]))
    within = burnable & (np.hypot(east_m, north_m) <= radius_m)
    starts = np.where(within, 1.0 if inputs.starts is None else inputs.starts, 0.0)
    if not starts.any():
        raise refused("the ground of the rules", "starts_nowhere", far_km=radius_m / 1000.0)
    # nobody said how likely fires start off the map: as likely as on it
    off = _off_the_grid(grid, scenario.home_xy_m, radius_m=radius_m) * starts.sum() / max(within.sum(), 1)
    in_all = starts.sum() + off.sum()
    home_cell = cell_of(grid, home_x_m, y_m=home_y_m)
    assert home_cell is not None  # the rules' ground holds the plan's own
    return Ground(
        grid=grid,
        zones=zones,
        gradients=down,
        choice=scenario.choice,
        home_cell=home_cell,
        start_share=starts / in_all,
        off_share=off / in_all,
    )


def at_home(scenario: Scenario, weather: Weather) -> Weather:
    """Take the weather at the home for everywhere: ratings and rules know one weather a day."""
    return weather_at(weather, scenario.home_cell)


def weather_at(weather: Weather, cell: tuple[int, int]) -> Weather:
    """Take the weather at a cell for everywhere."""
    here = 0 if weather.place is None else int(weather.place[cell])
    if weather.places == 1:
        return replace(weather, place=None)
    one = {name: getattr(weather, name)[:, here : here + 1] for name in LIMITS if getattr(weather, name) is not None}
    return replace(weather, place=None, **one)


def _off_the_grid(grid: Grid, home_xy_m: tuple[float, float], *, radius_m: float) -> NDArray[np.float64]:
    """Count, in cells, the ground within the radius that the grid does not hold, by 16 directions from the home."""
    reach = int(np.ceil(radius_m / grid.cell_m))
    east, north = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    x_m, y_m = home_xy_m[0] + east * grid.cell_m, home_xy_m[1] + north * grid.cell_m
    west_m, south_m, east_m, north_m = grid.bounds_m
    inside = (x_m >= west_m) & (x_m < east_m) & (y_m > south_m) & (y_m <= north_m)
    off = ~inside & (np.hypot(east, north) * grid.cell_m <= radius_m)
    sector = np.round(np.degrees(np.arctan2(east, north)) / 22.5).astype(int) % len(BEARINGS_DEG)
    return np.bincount(sector[off], minlength=len(BEARINGS_DEG)).astype(np.float64)


def rules_for(
    asked: Asked, days: Sequence[RatedDay], *, today: str | None, progress: Callable[[int, int], None] | None = None
) -> Rules:
    """Make the rules for every rated day, the mildest first, and every way of leaving with a route."""
    plan = asked.scenario.inputs.plan
    allowed = plan.rules.allowed_share
    allowed = 1.0 - plan.confidence if allowed is None else allowed
    found: dict[tuple[str, Way], Rule] = {}
    fires = {
        day.name: day_fires(asked.ground, day.weather, draws=asked.draws, confidence=plan.confidence) for day in days
    }
    for way in asked.routes:
        lower = None
        for day in days:
            lower = _looked_at(asked, way, fires=fires[day.name], lower=lower)
            found[day.name, way] = _rule(asked, way, day, lower, allowed=allowed)
            if progress is not None:
                progress(len(found), len(days) * len(asked.routes))
    ordered = {(day.name, way): found[day.name, way] for day, way in product(days, asked.routes)}
    return Rules(
        days=tuple(days),
        rules=ordered,
        today=today,
        grid=asked.ground.grid,
        radius_m=plan.rules.radius_m,
        allowed_share=allowed,
        assumptions=tuple(
            dict.fromkeys((*RULE_ASSUMPTIONS, *_of_the_ground(asked), *(line for day in days for line in day.said)))
        ),
        held=HeldRule(today),
    )


def _of_the_ground(asked: Asked) -> tuple[str, ...]:
    """Say what was taken for granted of the wide ground, where the plan has one."""
    wide = asked.scenario.inputs.wide
    if wide is None:
        return ()
    return (*wide.assumptions, *(f"On the ground of the rules: {line}" for line in wide.fuel.assumptions))


@dataclass(frozen=True)
class _Seen:
    """What the solves of one rating and way say, never less than those of lower ratings.

    - `go`, `late`, shape (rows, cols): fire here is too near, and too late to begin getting ready, whatever the wind.
    - `route`: by cell, the number of the route that leaves most time, whatever the wind.
    - `equal`, shape (routes, rows, cols): which routes leave that time within a minute.
    - `short`, shape (rows, cols): where fire leaves too little time by some route.
    - `share`, by span of hours: of the starts that are too near.
    - `lead_s`, shape (rows, cols): of the reference fire, whatever the wind, margin and smoke lead taken off.
    """

    go: NDArray[np.bool_]
    late: NDArray[np.bool_]
    route: NDArray[np.int64]
    equal: NDArray[np.bool_]
    short: NDArray[np.bool_]
    share: NDArray[np.float64]
    lead_s: NDArray[np.float64]


def _looked_at(asked: Asked, way: Way, *, fires: DayFires, lower: _Seen | None) -> _Seen:
    """Solve a rating's day for one way of leaving, and put the maps together."""
    plan, ground, needs = asked.scenario.inputs.plan, asked.ground, asked.needs[way]
    any_hour = _Leads(asked, way, fastest(fires, within=np.ones(fires.mean_m_s.size, dtype=bool)))
    leads = np.stack([any_hour.solved((None,), number)[0] for number in range(len(asked.routes[way]))])
    slack = leads - any_hour.of_routes("go_s")
    best_s, route = slack.max(axis=0), slack.argmax(axis=0)
    with np.errstate(invalid="ignore"):
        equal = np.where(np.isinf(best_s), np.isinf(slack), best_s - slack <= TIE_S.value)
    go = minimum_filter(best_s, size=3, mode="nearest") < 0.0
    short = minimum_filter(slack.min(axis=0), size=3, mode="nearest") < 0.0
    late_s = np.take_along_axis(leads - any_hour.of_routes("late_s"), route[None], axis=0)[0]
    late = minimum_filter(late_s, size=3, mode="nearest") < 0.0
    by_span = [_fastest_from(asked, needs, fires=fires, span=span) for span in hours_of(plan.rules.hours)]
    share_of = {
        fire.key: _share_too_near(_Leads(asked, way, fire), route=route)
        for fire in {fire.key: fire for fire in by_span}.values()
    }
    share = np.array([share_of[fire.key] for fire in by_span]) + _off_share(ground, go)
    if lower is not None:
        go, late, share = go | lower.go, late | lower.late, np.maximum(share, lower.share)
    held_up_s = np.array([one.held_up_s for one in asked.routes[way]])[:, None, None]
    lead_s = (leads.astype(np.float64) - held_up_s).max(axis=0) - needs.kept_s
    return _Seen(go, late, route, equal, short, share, lead_s)


@dataclass(frozen=True)
class _Leads:
    """Leads of one way's routes over the reference fire at its fastest in some hours."""

    asked: Asked
    way: Way
    fire: Fastest

    @cached_property
    def wanted(self) -> list[Threshold]:
        """The threshold of each route."""
        needs, confidence = self.asked.needs[self.way], self.asked.scenario.inputs.plan.confidence
        return [
            threshold(needs, self.fire.factor, drive_s=one.time_s, confidence=confidence, held_up_s=one.held_up_s)
            for one in self.asked.routes[self.way]
        ]

    def of_routes(self, bound: Literal["go_s", "late_s"]) -> NDArray[np.float32]:
        """Give a bound by route, to be set against maps; shape (routes, 1, 1)."""
        return np.array([getattr(one, bound) for one in self.wanted], dtype=np.float32)[:, None, None]

    def solved(self, winds: Sequence[float | None], number: int) -> NDArray[np.float32]:
        """Solve every wind for a route, by as many threads as are asked for; shape (winds, rows, cols)."""
        cells, wanted, ground = self.asked.cells[self.way][number], self.wanted[number], self.asked.ground
        solve = partial(lead_map, route=cells, wanted=wanted, legs_over=ground.legs_over)
        with threads(self.asked.workers) as pool:
            found = pool.map(solve, [reference_table(ground, self.fire, wind_from_deg=wind) for wind in winds])
            return np.stack(list(found))

    def short(
        self, winds: Sequence[float | None], *, bounds: Sequence[Literal["go_s", "late_s"]], named: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Mark where fire leaves too little time by a route that is named there, in each wind or if it drops.

        `named` has shape (routes, rows, cols), what comes back (bounds, winds, rows, cols).
        """
        found = np.zeros((len(bounds), len(winds), *named.shape[1:]), dtype=bool)
        for number in np.flatnonzero(named.any(axis=(1, 2))):
            leads = self.solved(winds, int(number))
            for short, bound in zip(found, bounds, strict=True):
                short |= named[number] & (leads < self.of_routes(bound)[number])
        if None not in winds:
            found |= replace(self, fire=self.fire.still or self.fire).short((None,), bounds=bounds, named=named)
        return found


def _share_too_near(leads: _Leads, *, route: NDArray[np.int64]) -> float:
    """Give the share of starts in some hours that are too near on the route for fire there, over all winds.

    On a day whose wind turns, a start counts as too near when it is so before or after the turn.
    """
    starts = leads.asked.ground.start_share
    named = (np.arange(len(leads.wanted))[:, None, None] == route) & (starts > 0.0)
    near = leads.short(BEARINGS_DEG, bounds=("go_s",), named=named)[0]
    turns_deg = leads.fire.turns_deg
    if abs(turns_deg) >= WIND_CHANGE_DEG.value:
        near |= np.roll(near, -round(turns_deg / 22.5), axis=0)
    by_wind = (near * starts).sum(axis=(1, 2))
    return float(np.dot(leads.asked.scenario.inputs.plan.rules.wind_shares, by_wind))


def _off_share(ground: Ground, go: NDArray[np.bool_]) -> float:
    """Share of starts beyond the ground that count as too near: towards where the line reaches its edge."""
    beyond = np.isinf(distances_to_line(ground.grid, go, from_cell=ground.home_cell))
    return float(ground.off_share[beyond].sum())


def _rule(asked: Asked, way: Way, day: RatedDay, seen: _Seen, *, allowed: float) -> Rule:
    plan, needs = asked.scenario.inputs.plan, asked.needs[way]
    spans = hours_of(plan.rules.hours)

    rule_for = partial(verdict_of, told=day.leave, allowed=allowed)
    hours = tuple(
        HourShare(span[0], span[1], float(share), rule_for(float(share)))
        for span, share in zip(spans, seen.share, strict=True)
    )
    share = max(one.share for one in hours)
    late_s = longest_at_confidence(needs.ready_s + needs.kept_s, plan.confidence)
    go_s = longest_at_confidence(needs.learns_s + needs.ready_s + needs.kept_s, plan.confidence)
    go, late = _line(asked, way, seen.go, ready_s=go_s), _line(asked, way, seen.late, ready_s=late_s)
    rule = Rule(
        rating=day.name,
        way=way,
        verdict=rule_for(share),
        told=day.leave,
        share=share,
        hours=hours,
        go=go,
        late=late,
        go_cells=seen.go,
        late_cells=seen.late,
        equal_cells=seen.equal | ~seen.short,
        lead_s=seen.lead_s,
        landmarks=_landmarks(asked, late),
        beyond=bool(np.isinf([distance_m for _, distance_m in go.distance_m]).any()),
        ways_out=_ways_out(asked, way, seen),
        sentence="",
    )
    return replace(rule, sentence=rule_sentence(rule, radius_m=plan.rules.radius_m, measures=plan.measures))


def _line(asked: Asked, way: Way, inside: NDArray[np.bool_], *, ready_s: float) -> TriggerLine:
    ground = asked.ground
    reach = zip(BEARINGS_DEG, distances_to_line(ground.grid, inside, from_cell=ground.home_cell), strict=True)
    confidence = asked.scenario.inputs.plan.confidence
    return TriggerLine(way, confidence, ready_s, area_of(ground.grid, inside), tuple(reach))


def _landmarks(asked: Asked, line: TriggerLine) -> tuple[str, ...]:
    """Say by roads and places where it is too late for a way of leaving."""
    scenario, grid = asked.scenario, asked.ground.grid
    found = landmarks(
        line,
        scenario.network,
        grid=grid,
        home_xy_m=scenario.home_xy_m,
        places=scenario.places_m,
        measures=scenario.inputs.plan.measures,
    )
    return landmark_words(found, line)


def _ways_out(asked: Asked, way: Way, seen: _Seen) -> tuple[WayOutArea, ...]:
    """Outline the ground by the safe points that leave most time, the largest first; none where there is but one."""
    names = [one.safe_point for one in asked.routes[way]]
    if len(names) < 2:
        return ()
    code = (seen.equal * 2 ** np.arange(len(names))[:, None, None]).sum(axis=0)
    code[~(seen.short | seen.go)] = 0
    made = []
    for value in np.unique(code[code > 0]):
        here = tuple(name for number, name in enumerate(names) if int(value) >> number & 1)
        made.append(WayOutArea(here, area_of(asked.ground.grid, code == value), way_out_sentence(here, way)))
    return tuple(sorted(made, key=lambda one: -one.area.area))


@dataclass(frozen=True)
class Look:
    """The lines for one wind and some hours of a rating's day, and the share of starts that are too near then."""

    go: TriggerLine
    late: TriggerLine
    share: float


def look(
    asked: Asked,
    rule: Rule,
    *,
    fires: DayFires,
    span: tuple[int, int],
    wind_from_deg: float | None = None,
    learns_s: float | None = None,
) -> Look:
    """Look at a rule by one wind and some hours, and for whoever learns of a fire after so long.

    None for the wind: it may come from anywhere; None for the time: as the plan has it. The route is the rule's.
    """
    way, ground = rule.way, asked.ground
    needs = asked.needs[way]
    if learns_s is not None:
        needs = replace(needs, learns_s=np.full_like(needs.learns_s, learns_s))
    leads = _Leads(replace(asked, needs={way: needs}), way, _fastest_from(asked, needs, fires=fires, span=span))
    short = leads.short((wind_from_deg,), bounds=("go_s", "late_s"), named=rule.equal_cells)[:, 0]
    go, late = (
        _line(asked, way, maximum_filter(one, size=3, mode="nearest"), ready_s=line.ready_s)
        for one, line in zip(short, (rule.go, rule.late), strict=True)
    )
    beyond = np.isinf([distance_m for _, distance_m in go.distance_m])
    share = float((ground.start_share * short[0]).sum() + ground.off_share[beyond].sum())
    return Look(go, late, share)


def _fastest_from(asked: Asked, needs: Needs, *, fires: DayFires, span: tuple[int, int]) -> Fastest:
    """The fastest that fire may be that starts in some hours, until the household is through by its longest route."""
    confidence, routes = asked.scenario.inputs.plan.confidence, asked.routes[needs.way]
    needed_s = longest_at_confidence(needs.learns_s + needs.ready_s + needs.kept_s, confidence)
    needed_h = (needed_s + max(one.time_s + one.held_up_s for one in routes)) / 3600.0
    within = steps_between(fires.weather, from_hour=span[0], until_hour=span[1] + needed_h)
    return fastest(fires, within=within)
