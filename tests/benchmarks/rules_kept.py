"""How often households that follow the rules lose the race for the road, under fires drawn anew.

`python tests/benchmarks/rules_kept.py PLAN.toml ... "one road out" "two roads out" --fires 5000` follows the rules of
each rating through so many fires, by each way of leaving, and prints: in how many of 100 one was caught, and the most
that the confidence leaves; in how many one went, left the house behind after all, and lost a part of the margin. Where
the rule says the evening before, the numbers are of households that waited for word although told not to.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from nearness import inputs_of

from leaveby.confidence import rank_at
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.decision.household.replay import most_caught
from leaveby.decision.household.timed import made_ready
from leaveby.decision.rules.follow import follow
from leaveby.decision.rules.rules import MEMBERS, asked_of, household_rules

SEED = 2_000_003
"""Added to the plan's own seed, so that no household is one that the rules were made from."""


def kept(name: str, inputs: HouseholdInputs, *, fires: int, workers: int = 2) -> bool:
    """Follow the rules of one place, and say whether every rule kept its promise."""
    ready, every = made_ready(inputs, workers=workers), True
    asked = asked_of(ready.scenario, ready.candidates, workers=workers)
    rules = household_rules(ready.scenario, ready.candidates, workers=workers)
    confidence = inputs.plan.confidence
    most = most_caught(fires, members=MEMBERS, rank=MEMBERS + 1 - rank_at(MEMBERS, confidence), level=0.99)
    for day in rules.days:
        found = follow(asked, rules, day, fires=fires, seed=inputs.plan.seed + SEED)
        for way, one in found.items():
            waits = one.rule.verdict == "on word of fire"
            every &= not waits or one.caught <= most
            percent = [
                100.0 * count / fires
                for count in (one.caught, most, one.from_afar, one.went, one.stayed_behind, one.margin_lost)
            ]
            sys.stdout.write(
                f"{name}, {day.name}, {way}, {one.rule.verdict}{' (told)' if one.rule.told else ''}: too near "
                f"{100.0 * one.rule.share:.2f} %, caught {percent[0]:.2f} % (at most {percent[1]:.2f} %), of "
                f"them from afar {percent[2]:.2f} %, went {percent[3]:.1f} %, house left {percent[4]:.1f} %, margin "
                f"lost {percent[5]:.2f} %"
                f"{'' if waits else ', had they waited'}\n"
            )
            sys.stdout.flush()
    return every


def main() -> None:
    """Follow the rules of every place that is named; exit with 1 where a rule did not keep its promise."""
    wanted = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    wanted.add_argument("places", nargs="+", help="a plan file, or the name of an invented place")
    wanted.add_argument("--fires", type=int, default=5000)
    asked = wanted.parse_args()
    every = True
    for name in asked.places:
        inputs = inputs_of(name)
        every &= kept(Path(name).name, inputs, fires=asked.fires)
    sys.exit(0 if every else 1)


if __name__ == "__main__":
    main()
