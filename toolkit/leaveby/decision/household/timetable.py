"""The timetable: leaving and the last resort side by side in time."""

from collections.abc import Mapping

import numpy as np

from leaveby.decision.household.phases import EVERY_ROAD_SHUT, late_words
from leaveby.decision.ways.result import WAY_WORDS, FireSummary, Phases, TimetableRow, WayTiming
from leaveby.household.shelter import LastResort


def timetable(
    timings: Mapping[str, WayTiming],
    *,
    fire: FireSummary,
    way_phases: Mapping[str, Phases],
    phases: Phases,
    shelter: LastResort,
    confidence: float,
) -> tuple[TimetableRow, ...]:
    """Set leaving and the last resort side by side in time: what ends when, and that leaving comes first.

    Rows without a moment (nothing within the horizon) are left out; the assumptions and each way's `why` say so.
    """
    rows = [TimetableRow(0.0, "fire", "The fire of this day starts.")]
    for way, timing in timings.items():
        words = WAY_WORDS[way]
        found = way_phases[way]
        if timing.latest_start_s is not None:
            rows.append(
                TimetableRow(timing.latest_start_s, f"start {way}", f"Latest start of getting ready to leave {words}.")
            )
        if timing.latest_departure_s is not None:
            late = f"Late from now on {words}: {late_words(way, found)}"
            rows.append(TimetableRow(timing.latest_departure_s, f"late {way}", late))
        if np.isfinite(found.shut_from_s) and found.shut_from_s < phases.shut_from_s:
            shut = f"On more than half of such days no road gets clear {words} from now on."
            rows.append(TimetableRow(found.shut_from_s, f"end {way}", shut))
        if timing.route is not None and np.isfinite(timing.route.closes_first_s):
            rows.append(
                TimetableRow(
                    timing.route.closes_first_s,
                    f"shut {way}",
                    f"On a middling day, {timing.route.closes_first} shuts on the way {words}.",
                )
            )
    if np.isfinite(phases.shut_from_s):
        rows.append(TimetableRow(phases.shut_from_s, "last resort", EVERY_ROAD_SHUT))
    early = f"(in the earliest {100.0 * (1.0 - confidence):.3g} % of such days)"
    for at_s, kind, sentence in (
        (shelter.ember_arrival_s, "embers", f"Embers may reach the home from now on {early}."),
        (shelter.front_arrival_s, "front", f"The front may reach the home from now on {early}."),
        (fire.home_p50_s, "front", "The front has reached the home on half of such days."),
    ):
        if np.isfinite(at_s):
            rows.append(TimetableRow(at_s, kind, sentence))
    return tuple(sorted(rows, key=lambda row: (row.at_s, row.kind)))
