"""The timetable: leaving and the last resort side by side in time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from leaveby.decision.result import WAY_WORDS, FireSummary, TimetableRow, WayTiming
from leaveby.household.plan import Way

ENDS: Final[Mapping[str, str]] = {
    "tow": "From now on no towing: the house stays.",
    "car": "From now on no road out by car.",
    "foot": "From now on no way out on foot.",
}


NO_WAY_OUT: Final = (
    "In the central run there is no way out from now on: every road to every safe point is shut, or shuts before you "
    "are through."
)


def timetable(
    timings: Mapping[Way, WayTiming], *, fire: FireSummary, shelter_start_s: float, no_way_out_s: float = np.inf
) -> tuple[TimetableRow, ...]:
    """Set leaving and the last resort side by side in time: what ends when, on the asked confidence.

    Rows without a moment (nothing within the horizon) are left out; the assumptions and each way's `why` say so.
    """
    rows = [TimetableRow(0.0, "fire", "The fire of this scenario starts.")]
    for way, timing in timings.items():
        words = WAY_WORDS[way]
        if timing.latest_start_s is not None:
            rows.append(
                TimetableRow(timing.latest_start_s, f"start {way}", f"Latest start of getting ready to leave {words}.")
            )
        if timing.latest_departure_s is not None:
            rows.append(TimetableRow(timing.latest_departure_s, f"end {way}", ENDS[way]))
        if timing.route is not None and np.isfinite(timing.route.closes_first_s):
            rows.append(
                TimetableRow(
                    timing.route.closes_first_s,
                    f"shut {way}",
                    f"In the central run, {timing.route.closes_first} shuts on the way {words}.",
                )
            )
    if np.isfinite(no_way_out_s):
        rows.append(TimetableRow(no_way_out_s, "no way", NO_WAY_OUT))
    if np.isfinite(shelter_start_s):
        rows.append(
            TimetableRow(
                shelter_start_s,
                "shelter",
                "Last resort, under official directions: closing the house must have begun to be done before embers.",
            )
        )
    for at_s, kind, sentence in (
        (fire.ember_home_p05_s, "embers", "Embers may reach the home from now on (earliest 5 % of members)."),
        (fire.home_p05_s, "front", "The front may reach the home from now on (earliest 5 % of members)."),
        (fire.home_p50_s, "front", "The front has reached the home in half of the members."),
    ):
        if np.isfinite(at_s):
            rows.append(TimetableRow(at_s, kind, sentence))
    return tuple(sorted(rows, key=lambda row: (row.at_s, row.kind)))
