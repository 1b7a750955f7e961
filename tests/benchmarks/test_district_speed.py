"""All homes of a district in one backward pass against a plain loop over homes on a networkx graph, on the same fires.

Run with: pytest tests/benchmarks/test_district_speed.py --benchmark-enable

Wanted: the same latest departures, at least 50 times faster, in one run; twice the fires in twice the time, twice the
homes in at most 1.3 times. That departures are the same is seen in every run.
"""

from __future__ import annotations

import heapq
import math
import re
import sys
import time
from dataclasses import replace
from pathlib import Path

import networkx as nx
import numpy as np
import pyproj
import pytest
from numpy.typing import NDArray

from leaveby.ask.district import District, read_district
from leaveby.ask.many_fires import run_fires
from leaveby.decision.district.fires import arrival_of, draw_fire, run_fire
from leaveby.decision.district.roads import HomeGraph, latest_of_homes
from leaveby.decision.district.summary import survey_of
from leaveby.decision.fires.closing import closing_times

DISTRICT = Path(__file__).parents[1] / "data" / "andorra_district.toml"
Fire = tuple[int, NDArray[np.float64], float]
"""Its number, when it shuts each stretch, and by how much it slows everyone."""


def edited(folder: Path, more: str = "") -> District:
    """Every building of Andorra as a home, or those of a file, and nothing that would help."""
    text = re.sub(r'"(andorra_\w+\.[\w.]+)"', rf'"{DISTRICT.parent}/\1"', DISTRICT.read_text(encoding="utf-8"))
    text = text.replace("second_exits = 1", "second_exits = 0\nverge_m = 0")
    path = folder / "district.toml"
    path.write_text(text + more, encoding="utf-8")
    return read_district(path)


@pytest.fixture(scope="module")
def andorra(tmp_path_factory: pytest.TempPathFactory) -> District:
    return edited(tmp_path_factory.mktemp("andorra"))


@pytest.fixture(scope="module")
def fires(andorra: District) -> list[Fire]:
    """The three of the first twelve that shut the way of most homes."""
    kit, found = andorra.kit, list[tuple[int, Fire]]()
    for number in range(12):
        fire = draw_fire(kit, number)
        closing_s = closing_times(kit.variants[0].cells, arrival_of(kit, fire), smoke_lead_s=kit.smoke_lead_s)
        latest_s, _ = latest_of_homes(kit.variants[0].homes, closing_s, margin_s=kit.margin_s)
        found.append((int(np.isfinite(latest_s).sum()), (number, closing_s, fire.drive_factor)))
    return [fire for _, fire in sorted(found, key=lambda one: -one[0])[:3]]


def plain_loop(homes: HomeGraph, fire: Fire, *, margin_s: float, rows: range) -> list[float]:
    """Home by home: a search backward from the safe points over a networkx graph until the home's ends are settled."""
    graph, (_, closing_s, factor), h = nx.MultiDiGraph(), fire, homes.home_count
    streets = closing_s.size - 3 * h
    for tail, head, street, travel_s in zip(
        homes.graph.tail.tolist(),
        homes.graph.head.tolist(),
        homes.edge_street.tolist(),
        (factor * homes.travel_s).tolist(),
        strict=True,
    ):
        graph.add_edge(tail, head, travel_s=travel_s, shut_s=float(closing_s[street]) - margin_s)
    found = []
    for home in rows:
        ends = {int(node) for node in homes.ends[home]}
        best: dict[int, float] = {}
        waiting = [(-math.inf, 0.0, int(node)) for node in homes.targets]
        while waiting and not ends <= best.keys():
            key, _, node = heapq.heappop(waiting)
            if node in best:
                continue
            best[node] = -key
            for before, _, facts in graph.in_edges(node, data=True) if node in graph else ():
                if before not in best:
                    leave_s = min(-key, facts["shut_s"]) - facts["travel_s"]
                    heapq.heappush(waiting, (-leave_s, 0.0, before))
        latest_s = -math.inf
        for end, node in enumerate(homes.ends[home].tolist()):
            half_s, shut_s = factor * float(homes.half_s[home, end]), float(closing_s[streets + end * h + home])
            if math.isfinite(half_s):
                there_s = best.get(node, -math.inf)
                latest_s = max(latest_s, (min(there_s, shut_s - margin_s) if half_s > 0.0 else there_s) - half_s)
        drive_s = factor * float(homes.drive_s[home])
        shut_s = float(closing_s[streets + 2 * h + home]) - margin_s if drive_s > 0.0 else math.inf
        found.append(min(latest_s, shut_s) - drive_s)
    return found


def test_the_same_latest_departures(andorra: District, fires: list[Fire]) -> None:
    kit, homes, shut = andorra.kit, andorra.kit.variants[0].homes, 0
    for fire in fires:
        number, closing_s, factor = fire
        latest_s, _ = latest_of_homes(homes, closing_s, margin_s=kit.margin_s, drive_factor=factor)
        assert (run_fire(kit, number).latest_s == latest_s.astype(np.float32)).all()
        rows = range(number % 97, homes.home_count, 97)
        plain = plain_loop(homes, fire, margin_s=kit.margin_s, rows=rows)
        assert latest_s[rows.start :: rows.step] == pytest.approx(plain, abs=1e-6)
        shut += int(np.isfinite(latest_s).sum())
    assert shut > 500


@pytest.mark.benchmark
def test_at_least_fifty_times_faster(andorra: District, fires: list[Fire]) -> None:
    kit, homes = andorra.kit, andorra.kit.variants[0].homes
    (_, closing_s, factor), *_ = fires
    latest_of_homes(homes, closing_s, margin_s=kit.margin_s, drive_factor=factor)
    began = time.process_time()
    for _ in range(5):
        latest_of_homes(homes, closing_s, margin_s=kit.margin_s, drive_factor=factor)
    ours_s = (time.process_time() - began) / 5.0
    rows = range(0, homes.home_count, 50)
    began = time.process_time()
    plain_loop(homes, fires[0], margin_s=kit.margin_s, rows=rows)
    plain_s = (time.process_time() - began) * homes.home_count / len(rows)
    sys.stdout.write(
        f"\n{homes.home_count} homes: {1000.0 * ours_s:.1f} ms against {plain_s:.1f} s, {plain_s / ours_s:.0f} times\n"
    )
    assert plain_s >= 50.0 * ours_s


def answered_s(district: District, fires: int) -> float:
    """Processor time of all fires and the answer, in this process alone."""
    began = time.process_time()
    asked = replace(district.question, fires=fires)
    survey_of(asked, run_fires(district.kit, asked))
    return time.process_time() - began


@pytest.mark.benchmark
def test_twice_the_fires_twice_the_time_and_twice_the_homes_hardly_more(andorra: District, tmp_path: Path) -> None:
    placed = andorra.question.roads.homes
    to_deg = pyproj.Transformer.from_crs(andorra.question.roads.streets.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_deg.transform(placed.x_m, placed.y_m)
    rows = ["id,lon_deg,lat_deg", *(f"{row},{lon[row]:.7f},{lat[row]:.7f}" for row in range(0, lon.size, 2))]
    (tmp_path / "half.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    half = edited(tmp_path, '\n[homes]\nfile = "half.csv"\n')
    answered_s(andorra, 20)  # the first compiles
    once_s, fewer_s, twice_s = answered_s(andorra, 20), answered_s(half, 20), answered_s(andorra, 40)
    counts = [one.question.roads.homes.x_m.size for one in (half, andorra)]
    sys.stdout.write(
        f"\n{len(andorra.kit.days)} ratings, {counts[1]} homes: 20 fires of each {once_s:.1f} s, 40 {twice_s:.1f} s, "
        f"{twice_s / once_s:.2f} times; against {counts[0]} homes {once_s / fewer_s:.2f} times\n"
    )
    assert counts[1] >= 1.9 * counts[0]
    assert twice_s <= 2.2 * once_s
    assert once_s <= 1.3 * fewer_s
