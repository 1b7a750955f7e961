"""Members' fires, solved: what each one does to the stretches and places that are watched, and nothing else kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future

import numpy as np
from numpy.typing import NDArray

from leaveby.compiling import threads
from leaveby.decision.fires.closing import StretchCells, closing_times
from leaveby.decision.fires.members import Draws, MemberFires, Progress
from leaveby.decision.fires.scenario import Scenario, member_ignitions
from leaveby.fire.arrival.embers import ember_arrival_at, growing_since_s, spotting_loads_t_ha
from leaveby.fire.arrival.solve import Ignition, arrive
from leaveby.fire.spread.ellipse import SpreadTable

TableOf = Callable[[int], SpreadTable]
"""Spread table of member i."""

IgnitionsOf = Callable[[int], Sequence[Ignition]]


def solve_fires(
    scenario: Scenario,
    *,
    table_of: TableOf,
    draws: Draws,
    watched: StretchCells,
    only: int | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> MemberFires:
    """Solve every member's fire: closings of the watched stretches, arrival at home and safe points, embers at home.

    The result does not depend on the number of workers (threads; the solver releases the interpreter lock), and memory
    grows with the members by a row each only. A point's arrival is the earliest in its cell and the eight around it:
    the side that makes people leave earlier. `only` is the number of the one ignition that burns, all when left out.
    """
    plan = scenario.inputs.plan
    points = (scenario.home_cell, *scenario.safe_cells.values())
    closing = np.full((draws.members, watched.first.size - 1), np.inf)
    arrival = np.full((draws.members, len(points)), np.inf)
    embers = np.full(draws.members, np.inf)

    def ignitions_of(member: int) -> tuple[Ignition, ...]:
        found = member_ignitions(scenario, draws=draws, member=member)
        return found if only is None else (found[only],)

    def keep(member: int, table: SpreadTable, time_s: NDArray[np.float64]) -> None:
        closing[member] = closing_times(watched, time_s, smoke_lead_s=plan.roads.smoke_lead_s)
        for column, (row, col) in enumerate(points):
            arrival[member, column] = earliest_about(time_s, row, col=col)
        embers[member] = embers_at(scenario, table, ignitions_of(member), time_s=time_s, cell=points[0])

    solve_each(
        draws.members,
        table_of,
        ignitions_of=ignitions_of,
        horizon_s=plan.horizon_s,
        keep=keep,
        workers=workers,
        progress=progress,
    )
    return MemberFires(closing_s=closing, point_arrival_s=arrival, ember_s=embers)


def solve_each(
    members: int,
    table_of: TableOf,
    *,
    ignitions_of: IgnitionsOf,
    horizon_s: float,
    keep: Callable[[int, SpreadTable, NDArray[np.float64]], None],
    workers: int = 1,
    progress: Progress | None = None,
) -> None:
    """Solve every member's fire over threads and hand it to `keep`, which takes what matters of it."""

    def solve(member: int) -> None:
        table = table_of(member)
        # coarser legs will do: members differ by far more than what they leave out
        keep(member, table, arrive(table, ignitions_of(member), horizon_s=horizon_s, fine=False).time_s)

    if members == 0:
        return
    # The first member alone: two threads that compile the same function at once get in each other's way.
    solve(0)
    if progress is not None:
        progress(1, members)
    with threads(workers) as pool:
        waiting: list[Future[None]] = [pool.submit(solve, member) for member in range(1, members)]
        for done, future in enumerate(waiting, start=2):
            future.result()
            if progress is not None:
                progress(done, members)


def embers_at(
    scenario: Scenario,
    table: SpreadTable,
    ignitions: Sequence[Ignition],
    *,
    time_s: NDArray[np.float64],
    cell: tuple[int, int],
) -> float:
    """Give the earliest embers at a cell under one run's fires, in seconds: with the front about it at the latest."""
    row, col = cell
    ember_s = ember_arrival_at(
        table,
        time_s,
        row=row,
        col=col,
        loads_t_ha=spotting_loads_t_ha(scenario.zones),
        started_s=growing_since_s(ignitions),
    )
    earliest_s = min(ember_s, earliest_about(time_s, row, col=col))
    return earliest_s if earliest_s <= scenario.inputs.plan.horizon_s else np.inf


def earliest_about(arrival_s: NDArray[np.float64], row: int, *, col: int) -> float:
    """Give the earliest arrival in a cell and the eight around it: a home stands anywhere in its cell."""
    around = arrival_s[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
    return float(around.min())
