"""How near leave-bys from a design of fires come to those of many members with fires of their own.

`python tests/benchmarks/nearness.py PLAN.toml "one road out" --plain 20000 --seeds 20` solves so many members plainly,
once for each plan or invented place, and prints for each confidence, way and seed by how many minutes the time of the
design is later (below 0: earlier), the half width it states, and that of the plain members. With 20,000 members and
200 x 200 cells the plain part alone takes some 20 minutes of processor time.

The plain fires are followed only as far as the leave-by at the least confidence hangs on them: what shuts later moves
no leave-by that is compared.
"""

from __future__ import annotations

import argparse
import importlib.util
import pickle
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from leaveby.ask.household import load_plan, read_inputs
from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.members import Draws, MemberFires, Members, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs, Scenario
from leaveby.decision.fires.solved import solve_fires
from leaveby.decision.household.answer import Fires, found_members
from leaveby.decision.household.timed import Asked, made_ready
from leaveby.decision.ways.confidence import half_width_s, precision_of
from leaveby.decision.ways.route_fires import choose_routes, share_burnt
from leaveby.decision.ways.timing import departures

CONFIDENCES = (0.5, 0.9, 0.95, 0.99)
NEAR_MIN = 2.0
SLACK_S = 900.0


def inputs_of(name: str) -> HouseholdInputs:
    """Read a plan file, or make an invented place of that name."""
    if name.endswith(".toml"):
        return read_inputs(load_plan(Path(name)))
    spec = importlib.util.spec_from_file_location("places", Path(__file__).parents[1] / "decision" / "places.py")
    assert spec is not None
    assert spec.loader is not None
    places = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(places)
    inputs: HouseholdInputs = places.PLACES[name]()
    return inputs


def _followed_s(asked: Asked) -> float:
    """Say how far plain fires have to be followed: past all that shuts a route for the earlier half of the members."""
    plan = replace(asked.scenario.inputs.plan, confidence=min(CONFIDENCES), members=2_000)
    scenario = replace(asked.scenario, inputs=replace(asked.scenario.inputs, plan=plan))
    members = found_members(Fires(replace(asked, scenario=scenario), None)).members
    burnt_share = share_burnt(scenario, members.fires)
    chosen = choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share)
    longest_s = max(one.time_s for found in asked.candidates.values() for one in found)
    after_s = float(members.draws.drive_factor.max()) * longest_s + plan.margin_s + plan.roads.smoke_lead_s + SLACK_S
    latest_s = (latest_at_confidence(departures(scenario, one)(members), plan.confidence) for one in chosen.values())
    return float(min(plan.horizon_s, max(latest_s) + after_s))


def _kept_solves() -> AbstractContextManager[object]:
    """Solve the fires that designs of several confidences share once only."""
    kept: dict[tuple[bytes, int | None], MemberFires] = {}

    def once(scenario: Scenario, *, draws: Draws, only: int | None = None, **more: Any) -> MemberFires:
        key = pickle.dumps(draws), only
        if key not in kept:
            kept[key] = solve_fires(scenario, draws=draws, only=only, **more)
        return kept[key]

    return patch("leaveby.decision.fires.design.solve_fires", once)


def compare(inputs: HouseholdInputs, *, plain: int, seeds: int, workers: int = 2) -> list[tuple[float, str, float]]:
    """Give (confidence, way, minutes later) for every seed."""
    asked = made_ready(inputs, workers=workers)
    draws = plan_draws(inputs.plan, plain, seed=inputs.plan.seed + 1_000_003)
    followed = replace(inputs, plan=replace(inputs.plan, horizon_s=_followed_s(asked)))
    solved = Fires(asked, None).solved("members", replace(asked.scenario, inputs=followed), draws)
    truth = Members(draws, solved, asked.column_of, solved=plain)
    found: list[tuple[float, str, float]] = []
    for seed in range(seeds):
        with _kept_solves():
            for confidence in CONFIDENCES:
                found += _of_one(asked, truth, seed=seed, confidence=confidence)
    return found


def _of_one(asked: Asked, truth: Members, *, seed: int, confidence: float) -> Iterator[tuple[float, str, float]]:
    """Compare one seed's design at one confidence, way by way."""
    inputs = asked.scenario.inputs
    plan = replace(inputs.plan, seed=inputs.plan.seed + seed + 1, confidence=confidence, members=20_000)
    scenario = replace(asked.scenario, inputs=replace(inputs, plan=plan))
    members = found_members(Fires(replace(asked, scenario=scenario), None)).members
    burnt_share = share_burnt(scenario, members.fires)
    chosen = choose_routes(scenario, asked.candidates, members=members, burnt_share=burnt_share)
    for way, one in chosen.items():
        latest_of = departures(scenario, one)
        told_s, true_s = (latest_at_confidence(latest_of(some), confidence) for some in (members, truth))
        known = [precision_of(some, latest_of, confidence=confidence) for some in (members, truth)]
        later_min = 0.0 if told_s == true_s else (told_s - true_s) / 60.0
        sys.stdout.write(
            f"{confidence:g} {way} seed {seed}: {later_min:+.1f} min, from {members.solved} fires, "
            f"half widths {half_width_s(known[0]) / 60.0:.1f} and {half_width_s(known[1]) / 60.0:.1f} min\n"
        )
        sys.stdout.flush()
        yield confidence, way, later_min


def main() -> None:
    """Compare, and sum up by confidence."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("plans", nargs="+", help="a plan file, or the name of an invented place")
    asked.add_argument("--plain", type=int, default=20_000)
    asked.add_argument("--seeds", type=int, default=20)
    asked.add_argument("--workers", type=int, default=2)
    wanted = asked.parse_args()
    for name in wanted.plans:
        found = compare(inputs_of(name), plain=wanted.plain, seeds=wanted.seeds, workers=wanted.workers)
        for confidence in CONFIDENCES:
            later_min = np.array([one[2] for one in found if one[0] == confidence])
            sys.stdout.write(
                f"{name}, {confidence:g}: {later_min.mean():+.1f} min on average, "
                f"{100.0 * np.mean(abs(later_min) <= NEAR_MIN):.0f} % within 2 minutes, "
                f"worst {later_min[np.argmax(abs(later_min))]:+.1f}\n"
            )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
