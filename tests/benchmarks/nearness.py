"""How near leave-bys from a design of fires come to those of many members with fires of their own.

`python tests/benchmarks/nearness.py PLAN.toml --plain 20000 --seeds 20` solves so many members plainly, once, and
prints for each confidence, way and seed by how many minutes the time of the design is later (below 0: earlier), the
half width it states, and that of the plain members. With 20,000 members and 200 x 200 cells the plain part alone takes
some 20 minutes of processor time.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from leaveby.ask.household import load_plan, read_inputs
from leaveby.confidence import latest_at_confidence
from leaveby.decision.fires.members import Members, plan_draws
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.answer import Fires, found_members
from leaveby.decision.household.timed import made_ready
from leaveby.decision.ways.confidence import half_width_s, precision_of
from leaveby.decision.ways.route_fires import choose_routes, share_burnt
from leaveby.decision.ways.timing import departures

CONFIDENCES = (0.5, 0.9, 0.95, 0.99)


def compare(inputs: HouseholdInputs, *, plain: int, seeds: int, workers: int = 2) -> list[tuple[float, str, float]]:
    """Give (confidence, way, minutes later) for every seed."""
    asked = made_ready(inputs, workers=workers)
    draws = plan_draws(inputs.plan, plain, seed=inputs.plan.seed + 1_000_003)
    solved = Fires(asked, None).solved("members", asked.scenario, draws)
    truth = Members(draws, solved, asked.column_of, solved=plain)
    found = []
    for seed in range(seeds):
        for confidence in CONFIDENCES:
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
                found.append((confidence, way, later_min))
    return found


def main() -> None:
    """Compare, and sum up by confidence."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("plan", type=Path)
    asked.add_argument("--plain", type=int, default=20_000)
    asked.add_argument("--seeds", type=int, default=20)
    wanted = asked.parse_args()
    found = compare(read_inputs(load_plan(wanted.plan)), plain=wanted.plain, seeds=wanted.seeds)
    for confidence in CONFIDENCES:
        later_min = np.array([one[2] for one in found if one[0] == confidence])
        sys.stdout.write(
            f"{confidence:g}: {later_min.mean():+.1f} min on average, {100.0 * np.mean(abs(later_min) <= 2.0):.0f} % "
            f"within 2 minutes, worst {later_min[np.argmax(abs(later_min))]:+.1f}\n"
        )


if __name__ == "__main__":
    main()
