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
from leaveby.show.templates import sentences
from leaveby.show.wording import WAY_TITLES

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
    shown = {promise.replay.way for promise in made}
    left_out = {way: replay for way, replay in found.items() if way not in shown}
    return tuple(sentences("verify/replay.txt.j2", made=made, left_out=left_out, enough=_ENOUGH))
