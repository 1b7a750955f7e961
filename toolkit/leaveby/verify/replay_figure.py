"""The replay as a figure and in words: how often the margin is not kept, against what the leave-by promises."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.figure import Figure

from leaveby.decision.household.replay import Replay
from leaveby.decision.ways.result import HouseholdResult
from leaveby.show.figure import GREY, INK, WAY_COLOURS, blank_figure, figure_style
from leaveby.show.wording import WAY_TITLES, clean

BAND: Final = (0.05, 0.95)
"""The band holds nine of ten replays of a leave-by that is just as sure as it says."""

_DRAWS: Final = 20_000
_ENOUGH: Final = 100
"""Fires below which the band is too wide to hold anything against."""


@dataclass(frozen=True)
class Promise:
    """A replay of a start that was followed, beside what sampling alone would do to a leave-by as sure as it says.

    The margin may not be kept in a share of `promised` fires; nine of ten such replays lie between `low` and `high`,
    and one in a thousand passes `most`.
    """

    replay: Replay
    promised: float
    low: float
    high: float
    most: float

    @property
    def kept(self) -> bool:
        """Whether the replay is no worse than sampling explains."""
        return self.replay.within_margin_share <= self.most


def promises(found: Mapping[str, Replay], result: HouseholdResult, *, rng: np.random.Generator) -> tuple[Promise, ...]:
    """Set each replayed way beside its sampling band; ways without a leave-by to follow are left out.

    The leave-by is an order statistic of its members, so the chance of not keeping the margin has a beta distribution,
    and the count over other fires a beta-binomial one (order statistics of a continuous distribution, common
    knowledge). Its band is drawn here, beside `Replay.allowed`, which is computed.
    """
    made = []
    for way, replay in found.items():
        if replay.start_s is None or not replay.truths:
            continue
        sample_s = result.ways[way].member_latest_start_s
        rank = min(int(np.searchsorted(sample_s, replay.start_s, side="left")) + 1, sample_s.size)
        counts = rng.binomial(replay.truths, rng.beta(rank, sample_s.size + 1 - rank, size=_DRAWS))
        low, high = np.quantile(counts, BAND)
        made.append(
            Promise(
                replay=replay,
                promised=1.0 - result.plan.confidence,
                low=float(low) / replay.truths,
                high=float(high) / replay.truths,
                most=replay.allowed / replay.truths,
            )
        )
    return tuple(made)


def replay_figure(made: tuple[Promise, ...]) -> Figure:
    """Draw for each way what was caught and where the margin was not kept, on its band, beside what was promised."""
    rows = np.arange(len(made))
    low, high, most, unkept, caught = (
        100.0
        * np.array(
            [(one.low, one.high, one.most, one.replay.within_margin_share, one.replay.caught_share) for one in made]
        )
        .reshape(-1, 5)
        .transpose()
    )
    colours = [WAY_COLOURS.get(one.replay.way, INK) for one in made]
    with figure_style():
        figure = blank_figure(150.0, 30.0 + 16.0 * max(len(made), 1))
        axes = figure.subplots()
        if made:
            words = "nine of ten replays, if as sure as it says"
            for bar in axes.barh(rows, high - low, left=low, height=0.5, color=GREY, edgecolor="white", label=words):
                bar.set(hatch="///", linewidth=0.0)
            axes.vlines(most, rows - 0.3, rows + 0.3, INK, linewidth=1.8, label="passed by one in a thousand")
            for share, marker, fill, words in (
                (unkept, "D", colours, "margin not kept"),
                (caught, "o", ["white"] * len(made), "caught on the road"),
            ):
                dots = axes.scatter(share, rows, s=49, c=fill, marker=marker, edgecolors=colours, label=words)
                dots.set(linewidths=1.6, clip_on=False, zorder=5)
            axes.axvline(
                100.0 * made[0].promised, color=INK, linewidth=1.0, linestyle=(0, (4, 2)), label="promised at most"
            )
            figure.legend(loc="outside upper left", ncols=2, fontsize=6.8, frameon=False)
        else:
            axes.text(0.5, 0.5, "No way of leaving has a time to follow.", ha="center", transform=axes.transAxes)
        axes.set_yticks(rows, [WAY_TITLES.get(one.replay.way, one.replay.way) for one in made])
        axes.set(ylim=(len(made) - 0.4, -0.6), xlim=(0.0, None), xlabel="of the fires drawn anew, per cent")
    return figure


def replay_words(found: Mapping[str, Replay], made: tuple[Promise, ...]) -> tuple[str, ...]:
    """Say how the replay went and whether the promise was kept, as plain sentences; the figure's text alternative."""
    lines = []
    few = " So few fires can't tell much: try 150 or more."
    for promise in made:
        replay, title = promise.replay, WAY_TITLES.get(promise.replay.way, promise.replay.way)
        verdict = (
            f"That is no more than chance explains.{few if replay.truths < _ENOUGH else ''}"
            if promise.kept
            else "THAT IS MORE THAN CHANCE EXPLAINS: do not rely on this time."
        )
        lines.append(
            f"{title}: starting at the computed time, the margin was not kept in {replay.within_margin} of "
            f"{replay.truths} fires drawn anew ({100.0 * replay.within_margin_share:.1f} %), and the household was "
            f"caught on the road in {replay.caught} ({100.0 * replay.caught_share:.1f} %). Promised: at most "
            f"{100.0 * promise.promised:.3g} %. Of leave-bys that are just so sure, nine of ten replays lie between "
            f"{100.0 * promise.low:.1f} and {100.0 * promise.high:.1f} %, and one in a thousand passes "
            f"{100.0 * promise.most:.1f} %. {verdict}"
        )
    shown = {promise.replay.way for promise in made}
    lines += [
        f"{WAY_TITLES.get(way, way)}: not replayed. {clean(replay.why)}"
        for way, replay in found.items()
        if way not in shown
    ]
    lines.append(
        "The fires drawn anew come from the same models: this shows that the times say what the models say, not that "
        "the models are right."
    )
    return tuple(lines)
