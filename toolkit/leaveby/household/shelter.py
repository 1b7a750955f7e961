"""The last resort: what is left when leaving is no longer possible and official directions are followed.

Works out whether the tasks that close the house fit before embers and before the front, once every road is shut in most
runs, what radiant heat falls on the house against what its owner states, and where the nearest place of last resort
is. Nothing here means that anybody will live through it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence, longest_at_confidence
from leaveby.errors import refuse, refused
from leaveby.household.heat import exposure_class, time_to_pain
from leaveby.household.plan import Plan
from leaveby.household.plan_tables import Way
from leaveby.household.readiness import schedule_for
from leaveby.household.scheduling import Schedule
from leaveby.regions import sentences

HEADING: Final = "Last resort: if leaving is no longer possible and official directions are followed"
"""Stands over everything that this module says."""

SKIN_LIMIT_KW_M2: Final = 2.5
"""Heat that skin can't bear for long: tenability limit of ISO 13571 and the SFPE handbook, from memory."""


@dataclass(frozen=True)
class Place:
    """A place of last resort, or a safe point, and whether it can be reached; worked out by the roads.

    - `distance_m`: along the way there, 0 or more; inf when no way leads there.
    - `travel_s`: time to get there, 0 or more; inf when no way leads there.
    - `open_until_s`: last departure with which it is reached before the way shuts, seconds from the start of the
      scenario; inf when it does not shut within the horizon, -inf when it is shut from the start.
    - `burnt_share`: share of members in which fire reaches the place within the horizon.
    """

    name: str
    way: Way
    distance_m: float
    travel_s: float
    open_until_s: float
    burnt_share: float = 0.0


@dataclass(frozen=True)
class LastResort:
    """What is known of the last resort at the moment it may have to begin; moments are seconds from the start.

    - `tasks`: closing the house, in order, by `policy`; `ready_s`: how long that takes at the asked confidence, inf
      without tasks.
    - `begins_s`: when closing begins at the earliest; `leaving_ends_s`: from when every road out is shut on most such
      days.
    - `ember_arrival_s`, `front_arrival_s`: at the house, at the asked confidence; inf when not within the horizon.
    - `closed_before_embers`, `closed_before_front`: shares of members in which closing, begun then, is done before.
    - `latest_start_before_embers_s`, `latest_start_before_front_s`: last moment at which closing can begin and be done
      in time at the asked confidence; it may lie before the start of the scenario. -inf when the plan names no task.
    - `too_late`: tasks that on this list, stretched to `ready_s`, end after the embers arrive.
    - `heat_kw_m2`, `heat_class`: radiant heat on the house, and the construction class for it.
    - `heat_limit_kw_m2`, `above_stated_limit`: what the owner states that the house was built for, and whether the heat
      is more; None when one of the two is missing.
    - `skin_pain_s`: seconds until bare skin hurts in that heat.
    - `place`, `place_reachable`: the nearest place of last resort that can still be reached at `begins_s` with the
      asked confidence, else the nearest of all; None when the plan names none.
    """

    heading: str
    tasks: tuple[str, ...]
    policy: Schedule
    begins_s: float
    ready_s: float
    leaving_ends_s: float
    ember_arrival_s: float
    front_arrival_s: float
    closed_before_embers: float
    closed_before_front: float
    latest_start_before_embers_s: float
    latest_start_before_front_s: float
    too_late: tuple[str, ...]
    heat_kw_m2: float | None
    heat_class: str | None
    heat_limit_kw_m2: float | None
    above_stated_limit: bool | None
    skin_pain_s: float | None
    place: Place | None
    place_reachable: bool
    assumptions: tuple[str, ...]


def last_resort(
    plan: Plan,
    *,
    shelter_ready_s: NDArray[np.float64],
    ember_arrival_s: NDArray[np.float64],
    front_arrival_s: NDArray[np.float64],
    leaving_ends_s: float,
    policy: Schedule | None = None,
    heat_kw_m2: float | None = None,
    places: Sequence[Place] = (),
) -> LastResort:
    """Put together what is known of the last resort. Closing begins when leaving ends, but not before the start.

    - `shelter_ready_s`, shape (members,): how long closing the house takes: `ready_times(plan, "shelter", ...)`.
      Finite, 0 or more.
    - `ember_arrival_s`, `front_arrival_s`, shape (members,): at the house, seconds from the start of the scenario; inf
      when not within the horizon. Embers are taken to arrive with the front at the latest.
    - `leaving_ends_s`: from when every road out is shut in more than half of the members, by any way of leaving; 0 or
      less when that is so from the start, inf when it does not come within the horizon. Never when leaving is merely
      late.
    - `heat_kw_m2`: radiant heat on the house from the front, `leaveby.household.heat.radiant_heat`.

    Raises InputError when the arrays differ in shape or hold a value that has no meaning.

    Examples
    --------
    >>> times_s = {"ember_arrival_s": np.array([3600.0]), "front_arrival_s": np.array([4200.0])}
    >>> last_resort(None, shelter_ready_s=np.array([60.0]), leaving_ends_s=np.nan, **times_s)
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: leaving_ends_s: is not a number. Expected seconds, or inf. To mend it: work it out anew.
    """
    ready_s, ember_s, front_s = _checked(shelter_ready_s, ember_arrival_s, front_arrival_s)
    if math.isnan(leaving_ends_s):
        raise refuse("leaving_ends_s", "is not a number", expected="seconds, or inf", mend="work it out anew")
    ember_s = np.minimum(ember_s, front_s)
    begins_s = leaving_ends_s if 0 <= leaving_ends_s < math.inf else 0.0
    if policy is None:
        policy = schedule_for(plan, "shelter")
    if not policy.tasks:
        # Where the plan names no task nothing is known to be closed: never "ready at once".
        ready_s = np.full_like(ready_s, np.inf)
    takes_s = longest_at_confidence(ready_s, plan.confidence)
    ember_early_s = latest_at_confidence(ember_s, plan.confidence)
    place, reachable = _nearest(places, begins_s)
    limit = plan.house.heat_limit_kw_m2
    # The list is drawn at the likely durations; at the asked confidence all of it takes longer.
    stretch = max(1.0, takes_s / policy.ready_s) if policy.ready_s > 0 else 1.0
    return LastResort(
        heading=HEADING,
        tasks=tuple(policy.tasks[task] for task in policy.order),
        policy=policy,
        begins_s=begins_s,
        ready_s=takes_s,
        leaving_ends_s=leaving_ends_s,
        ember_arrival_s=ember_early_s,
        front_arrival_s=latest_at_confidence(front_s, plan.confidence),
        closed_before_embers=float(np.mean(begins_s + ready_s < ember_s)),
        closed_before_front=float(np.mean(begins_s + ready_s < front_s)),
        latest_start_before_embers_s=latest_start(ready_s, arrival_s=ember_s, confidence=plan.confidence),
        latest_start_before_front_s=latest_start(ready_s, arrival_s=front_s, confidence=plan.confidence),
        too_late=tuple(
            policy.tasks[task] for task in policy.order if begins_s + policy.finish_s[task] * stretch >= ember_early_s
        ),
        heat_kw_m2=heat_kw_m2,
        heat_class=None if heat_kw_m2 is None else exposure_class(heat_kw_m2),
        heat_limit_kw_m2=limit,
        above_stated_limit=None if heat_kw_m2 is None or limit is None else heat_kw_m2 > limit,
        skin_pain_s=None if heat_kw_m2 is None or heat_kw_m2 <= 0 else time_to_pain(heat_kw_m2),
        place=place,
        place_reachable=reachable,
        assumptions=sentences("household/shelter.txt.j2", house=plan.house, heat_kw_m2=heat_kw_m2),
    )


def latest_start(ready_s: NDArray[np.float64], *, arrival_s: NDArray[np.float64], confidence: float) -> float:
    """Find the last moment to begin with which at least the asked share of the members is done before the arrival.

    A member that is never ready has no such moment, whatever arrives; the answer is inf when nothing arrives.

    Examples
    --------
    >>> latest_start(np.full(3, 600.0), arrival_s=np.array([3000.0, 3300.0, np.inf]), confidence=0.6)
    2400.0
    """
    spare_s = np.where(np.isinf(ready_s), -np.inf, arrival_s - np.where(np.isinf(ready_s), 0.0, ready_s))
    return latest_at_confidence(spare_s, confidence)


def _checked(
    ready_s: NDArray[np.float64], ember_s: NDArray[np.float64], front_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    if not ready_s.shape == ember_s.shape == front_s.shape or ready_s.ndim != 1 or ready_s.size == 0:
        raise refused("members", "members_that_differ", shape=ready_s.shape, ember=ember_s.shape, front=front_s.shape)
    if not bool(np.all(np.isfinite(ready_s) & (ready_s >= 0))):
        raise refuse("shelter_ready_s", "holds a time that is negative or not finite", expected="seconds", mend="redo")
    if bool(np.any(np.isnan(ember_s) | np.isnan(front_s))):
        raise refuse("arrivals", "hold a value that is no time", expected="seconds, or inf", mend="work them out anew")
    return ready_s, ember_s, front_s


def _nearest(places: Sequence[Place], begins_s: float) -> tuple[Place | None, bool]:
    open_now = [place for place in places if math.isfinite(place.travel_s) and place.open_until_s >= begins_s]
    if open_now:
        return min(open_now, key=lambda place: (place.travel_s, place.name)), True
    if places:
        return min(places, key=lambda place: (place.travel_s, place.distance_m, place.name)), False
    return None, False
