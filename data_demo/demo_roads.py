"""The streets, homes and waters of the invented locality, in metres from its south-west corner.

The layout is drawn by hand as control points; lanes, courts and homes are set along it with a fixed seed.
Nothing here is a copy of a real place or of anyone's map.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from demo_lines import Point, crossings, drawn, lengths, nearest, point_at, tenth, wandering

Tags = dict[str, str]

SIZE_M = 9600.0
MOUTH: Point = (4700.0, 4400.0)
"""Where the long single-exit street leaves the through road."""

_SPRINGS: dict[str, list[tuple[float, float, float]]] = {
    "Lantern River": [
        (0, 1500, 448), (1200, 1180, 436), (2400, 1000, 422), (3900, 900, 392), (5600, 930, 362), (7200, 880, 336),
        (8700, 1080, 314), (9600, 950, 302),
    ],
    "Quarrel Creek": [
        (3700, 4900, 650), (2950, 3900, 520), (2680, 3000, 472), (2720, 2000, 444), (2900, 964, 413),
    ],
    "Dray Creek": [(1480, 4900, 610), (1250, 3600, 505), (900, 2500, 465), (1000, 1230, 439)],
    "Hobbin Creek": [(4950, 6250, 610), (5600, 5700, 505), (6800, 5100, 425), (8000, 4600, 375), (9600, 4200, 330)],
    "Slipware Creek": [
        (5000, 3500, 560), (5800, 2900, 440), (6900, 2250, 372), (8000, 1700, 334), (8700, 1085, 314),
    ],
    "Gatepost Creek": [(7150, 7400, 620), (8200, 6500, 490), (9600, 6000, 410)],
    "Hidebuckle Creek": [(2100, 6950, 725), (1000, 6900, 565), (0, 6700, 480)],
    "Ladle Creek": [(3600, 8000, 680), (3900, 8700, 545), (4000, 9600, 470)],
    "Larder Creek": [(6600, 8750, 650), (6900, 9600, 545)],
    "Bellowpipe Creek": [(1500, 9000, 760), (2300, 9300, 640), (3950, 9500, 478)],
    "Hassock Creek": [(600, 7900, 760), (0, 7800, 640)],
    "Maulstick Creek": [(5900, 6700, 610), (6200, 5900, 520), (6500, 5230, 440)],
    "Rafter Creek": [(7900, 5600, 530), (8300, 5000, 430), (8500, 4470, 362)],
    "Oakum Creek": [(6500, 3500, 600), (6350, 3000, 480), (6450, 2500, 398)],
    "Docken Creek": [(7600, 3150, 560), (7450, 2500, 430), (7450, 1950, 352)],
    "Bodkin Creek": [(6900, 4050, 600), (7250, 4500, 470), (7400, 4850, 400)],
    "Hopsack Creek": [(5800, 4400, 650), (6050, 4900, 520), (6250, 5380, 465)],
    "Satchel Creek": [(4400, 3200, 590), (4500, 2300, 480), (4450, 1500, 408), (4500, 914, 382)],
}  # fmt: skip
"""Springs and courses drawn by hand, with the height of the water; each ends on the map's edge or in a larger water."""

SEALED = {"surface": "asphalt"}
GRAVEL = {"surface": "gravel"}
_WORDS = """
Applecart Bargepole Clothespeg Doorstop Eggtimer Fingerpost Gluepot Hatstand Inglenook Jamjar Keyring Lampwick Mousetrap
Nutmeg Ovencloth Paperclip Quillpen Rollingpin Sandglass Teacaddy Umbrella Vinegar Washtub Yardstick
Wicket Tallow Bobbin Thimble Lathe Cinder Pannikin Gosling Marrow Trestle Cobble Halter Fennel Quince Larder
Spindle Copper Kettle Plover Mallet Hopsack Tinder Barley Chisel Dovetail Sorrel Inkwell Flannel Pewter Rafter
Bellows Whistle Candle Ferrule Oakum Bramble Shuttle Teasel Damson Mortar Trivet Saddle Gimlet Pollen Furrow
Medlar Scuttle Rennet Buckle Wimble Tansy Haycock Skillet Treacle Girdle Nettle Satchel Butterpat Anvil Harrow
Cruet Milkpail Bodkin Ladle Parsnip Tarpaulin Cartwheel Washboard Dripstone Henhouse
"""


@dataclass
class Road:
    """A street: its line, its tags, and stretches with tags of their own."""

    name: str
    line: list[Point]
    tags: Tags
    stretches: list[tuple[float, float, Tags]] = field(default_factory=list)
    node_tags: dict[Point, Tags] = field(default_factory=dict)
    numbered_by_distance: bool = False


@dataclass
class Home:
    """A house beside a street."""

    centre: Point
    corners: list[Point]
    tags: Tags
    street: str
    along_m: float


@dataclass
class Locality:
    """Everything that goes into the road extract."""

    roads: dict[str, Road]
    homes: list[Home]
    areas: list[tuple[list[Point], Tags]]
    places: list[tuple[Point, Tags]]


def _course(controls: list[tuple[float, float, float]], seed: int) -> list[tuple[float, float, float]]:
    """A swaying watercourse with its heights."""
    flat = [(x, y) for x, y, _ in controls]
    marks = lengths(flat)
    line = wandering(drawn(flat, step_m=60.0), seed, sway_m=55.0, wave_m=520.0)
    far = lengths(line)
    heights = np.interp([d * marks[-1] / far[-1] for d in far], marks, [z for _, _, z in controls])
    return [(x, y, float(z)) for (x, y), z in zip(line, heights, strict=True)]


def _courses() -> dict[str, list[tuple[float, float, float]]]:
    """All watercourses, each cut where it meets the larger one it runs into."""
    out: dict[str, list[tuple[float, float, float]]] = {}
    for k, (name, controls) in enumerate(_SPRINGS.items()):
        course = _course(controls, 100 + k)
        x, y, z = course[-1]
        if 0.0 < x < SIZE_M and 0.0 < y < SIZE_M:
            flat = [(a, b) for a, b, _ in course]
            lines = [[(a, b) for a, b, _ in other] for other in out.values()]
            main = min(lines, key=lambda line: nearest(line, (x, y))[1])
            meets = next(crossings(flat, main), math.inf)
            mouth = tenth(point_at(flat, meets)[0] if meets < math.inf else point_at(main, nearest(main, (x, y))[0])[0])
            marks = lengths(flat)
            course = [*(c for c, m in zip(course, marks, strict=True) if m < min(meets, marks[-1]) - 5.0), (*mouth, z)]
        out[name] = course
    return out


def join(road: Road, along_m: float) -> Point:
    """Make a node on a road at this distance (an existing one within 12 m serves) and return it."""
    marks = lengths(road.line)
    i = int(np.argmin([abs(m - along_m) for m in marks]))
    if abs(marks[i] - along_m) < 12.0:
        return road.line[i]
    p = tenth(point_at(road.line, along_m)[0])
    road.line.insert(int(np.searchsorted(marks, along_m)), p)
    return p


def join_near(road: Road, p: Point) -> Point:
    """Make a node on a road where it passes p."""
    return join(road, nearest(road.line, p)[0])


def _lane(
    road: Road,
    along_m: float,
    *,
    side: int,
    length_m: float,
    bend_deg: float,
    name: str,
    tags: Tags,
    skew_deg: float = 0.0,
) -> Road:
    """A lane that leaves a road to one side (+1 left, -1 right) and bends on its way."""
    start = join(road, along_m)
    _, (dx, dy) = point_at(road.line, nearest(road.line, start)[0] + 0.01)
    heading = math.atan2(dy, dx) + side * math.radians(90.0 + skew_deg)
    n = max(2, round(length_m / 55.0))
    line = [start]
    for _ in range(n):
        x, y = line[-1]
        line.append(tenth((x + length_m / n * math.cos(heading), y + length_m / n * math.sin(heading))))
        heading += math.radians(bend_deg) / n
    return Road(name, line, tags)


WATERS = _courses()
"""Every watercourse as it runs: x, y and the height of the water."""

RAILWAY = drawn([(0, 2400), (1000, 2520), (1700, 2620), (2350, 2600), (2800, 2350), (3050, 1950)])
"""A closed branch line: its two bridges over roads are what a high load meets."""


def _village(roads: dict[str, Road], rng: np.random.Generator) -> None:
    """Quarrel Flat: a small grid of streets, a little askew, with blocks left out."""
    across, up, turn = 8, 6, math.radians(9.0)
    node = {}
    for i in range(across):
        for j in range(up):
            x, y = 142.0 * i + 22.0 * (rng.random() - 0.5), 118.0 * j + 22.0 * (rng.random() - 0.5)
            node[i, j] = tenth(
                (1330.0 + x * math.cos(turn) + y * math.sin(turn), 1420.0 - x * math.sin(turn) + y * math.cos(turn))
            )
    rows = [f"{name} Street" for name in ("Mill Bank", "Pound", "Assembly", "Long Acre", "Fiddler", "Top Paddock")]
    cols = [
        "Showground Road", "Hoopmaker Street", "Wainwright Street", "Stallholders Lane", "Bakehouse Street",
        "Saddler Street", "Chandler Street", "Foundry Street",
    ]  # fmt: skip
    for j, name in enumerate(rows):
        kind = "tertiary" if j == 1 else "residential"
        limit = {"maxspeed": "50"} if j in (1, 2) else {"maxspeed": "AU:urban"} if j == 3 else {}
        roads[name] = Road(name, [node[i, j] for i in range(across)], {"highway": kind, **limit, **SEALED})
    for i, name in enumerate(cols):
        first, last = (0, up) if i in (0, 2, 4, 7) else (0, up - 1) if i != 5 else (1, up)
        tags = {"highway": "residential", "maxspeed": "50", **SEALED}
        if name == "Stallholders Lane":
            tags |= {"oneway": "yes", "maxspeed": "40"}
        if name == "Foundry Street":
            tags |= {"highway": "secondary", "maxspeed": "60"}
        if name == "Hoopmaker Street":
            tags |= {"maxspeed": "30 mph"}  # a slip of the kind found in real extracts
        roads[name] = Road(name, [node[i, j] for j in range(first, last)], tags)


def _swaying(controls: list[Point], seed: int, sway_m: float = 34.0) -> list[Point]:
    return wandering(drawn(controls, step_m=55.0), seed, sway_m=sway_m, wave_m=430.0)


def _main_roads(roads: dict[str, Road]) -> None:
    top = roads["Foundry Street"].line[-1]
    rural = {"highway": "secondary", "maxspeed": "80", "lanes": "2", **SEALED}
    gap = Road(
        "Hobbin Gap Road",
        [
            *_swaying([top, (2420, 2250), (2350, 2600), (2400, 3000), (2560, 3450), (2900, 3860), (3400, 4080),
               (3900, 4200),
                    (4350, 4260), MOUTH], 11),
            *_swaying([MOUTH, (4780, 4850), (4560, 5400), (4380, 6000), (4280, 6600), (4480, 7200), (5000, 7620),
               (5700, 7880),
                    (6500, 8010), (7100, 8140), (8000, 8320), (9000, 8490), (9480, 8600)], 12)[1:],
        ],
        rural,
    )  # fmt: skip
    roads[gap.name] = gap
    under = next(crossings(gap.line, RAILWAY))
    gap.stretches += [
        (0.0, under - 60.0, {"maxspeed": "60"}),
        (under - 12.0, under + 12.0, {"maxheight": "3.8", "maxspeed": "60", "lanes": "1"}),
        (nearest(gap.line, (6700, 8060))[0], nearest(gap.line, (7600, 8240))[0], {"maxspeed": "60 km/h"}),
        (nearest(gap.line, (4500, 5500))[0], nearest(gap.line, (4300, 6700))[0], {"maxspeed:advisory": "55"}),
    ]

    spur = Road(
        "Sallow Spur Road",
        _swaying([MOUTH, (4960, 4380), (5200, 4200), (5480, 4180), (5700, 4010), (5980, 4060), (6220, 3850),
               (6480, 3860),
               (6700, 3650), (6980, 3690), (7200, 3460), (7480, 3520), (7720, 3330), (7960, 3360), (8150, 3160),
               (8420, 3220), (8640, 3010), (8850, 3040), (9020, 2920)], 13),
        {"highway": "unclassified", **SEALED},
        numbered_by_distance=True,
    )  # fmt: skip
    roads[spur.name] = spur
    spur.stretches += [(0.0, 2600.0, {"maxspeed": "60"}), (3500.0, 9999.0, {"surface": "gravel"})]
    spur.node_tags[spur.line[-1]] = {"highway": "turning_circle"}

    river = Road(
        "Lantern River Road",
        _swaying([roads["Pound Street"].line[-1], (2700, 1350), (3150, 1230), (3900, 1160), (4700, 1170),
               (5500, 1190), (6300, 1140), (7200, 1130), (7800, 1300), (8300, 1420), (8900, 1380), (9480, 1300)], 14),
        {"highway": "tertiary", "maxspeed": "80", **SEALED},
    )  # fmt: skip
    roads[river.name] = river
    river.stretches += [
        (nearest(river.line, (5950, 1150))[0], nearest(river.line, (6750, 1130))[0], {"maxspeed": "60"}),
        (nearest(river.line, (6750, 1130))[0], 9999.0, {"maxspeed": "100"}),
    ]

    dray = Road(
        "Old Dray Road",
        _swaying([join_near(gap, (2980, 3890)), (2620, 4060), (2250, 3960), (1950, 3920), (1500, 4020), (1000, 3880),
                  (740, 3350), (800, 2800), (1080, 2420), roads["Top Paddock Street"].line[0]], 15),
        {"highway": "unclassified", **GRAVEL},
    )  # fmt: skip
    roads[dray.name] = dray
    under = next(crossings(dray.line, RAILWAY))
    dray.stretches += [(under - 12.0, under + 12.0, {"maxheight": "4.6 m"}), (under + 12.0, 9999.0, SEALED)]

    ridge = Road(
        "Tannery Ridge Road",
        _swaying([join_near(gap, (4500, 5550)), (4100, 5560), (3750, 5750), (3350, 6220), (2850, 6760), (2350, 7330),
               (1950, 7760), (1680, 7980)], 16),
        {"highway": "unclassified", "surface": "unpaved"},
    )  # fmt: skip
    roads[ridge.name] = ridge
    roads["Charcoal Lane"] = Road(
        "Charcoal Lane",
        _swaying([join_near(ridge, (2850, 6760)), (2450, 6380), (2130, 5950), (2060, 5300), (2020, 4600),
               join_near(dray, (1950, 3920))], 17),
        {"highway": "unclassified", "surface": "dirt"},
    )  # fmt: skip
    gate = Road(
        "Weeping Gate Road",
        _swaying([join_near(gap, (5000, 7620)), (5350, 7450), (5800, 7260), (6250, 6900), (6800, 6500), (7300, 6240),
               (7800, 6260), (8180, 6560), (8420, 7100), (8560, 7750), join_near(gap, (8560, 8420))], 18),
        {"highway": "unclassified", "maxspeed": "80", "surface": "compacted"},
    )  # fmt: skip
    roads[gate.name] = gate
    timber = next(crossings(gate.line, [(x, y) for x, y, _ in WATERS["Gatepost Creek"]]))
    gate.stretches += [
        (timber - 14.0, timber + 14.0, {"maxweight": "5", "bridge": "yes", "layer": "1", "surface": "wood"})
    ]
    roads["Hobbin Creek Road"] = Road(
        "Hobbin Creek Road",
        _swaying([join_near(gate, (7000, 6380)), (6820, 6050), (6900, 5700), (7050, 5350), (7500, 5050),
               (8100, 4800), (8800, 4620), (9100, 4560)], 19),
        {"highway": "unclassified", **GRAVEL},
    )  # fmt: skip
    roads["South Bank Road"] = Road(
        "South Bank Road",
        _swaying([roads["Wainwright Street"].line[0], (1700, 1180), (1800, 900), (2300, 720), (3200, 620),
               (4300, 620), (5300, 640), (5900, 760), (6150, 960), join_near(river, (6200, 1140))], 20),
        {"highway": "unclassified", "maxspeed": "80", **GRAVEL},
    )  # fmt: skip

    track = Road(
        "Slipware Track",
        _swaying([join_near(spur, (5480, 4150)), (5600, 3880), (5560, 3560), (5450, 3230), (5240, 2900),
               (5160, 2500), (5320, 2050), (5480, 1620), join_near(river, (5500, 1190))], 21),
        {"highway": "track", "tracktype": "grade4", "surface": "ground", "maxwidth": "2.2", "width": "2.2"},
    )  # fmt: skip
    roads[track.name] = track
    trail = Road(
        "Number Nine Fire Trail",
        _swaying(
            [
                join_near(spur, (8080, 3240)),
                (8230, 2900),
                (8160, 2480),
                (7960, 2080),
                (8040, 1650),
                join_near(river, (7980, 1350)),
            ],
            22,
        ),
        {"highway": "track", "tracktype": "grade3", "surface": "ground", "access": "private"},
    )
    roads[trail.name] = trail
    for along_m in (60.0, lengths(trail.line)[-1] - 60.0):
        trail.node_tags[join(trail, along_m)] = {"barrier": "gate", "access": "private", "locked": "yes"}


_LANES = """
Hobbin Gap Road    | 2480 3250 |  1 | 260 | farm  | Farm | 20
Hobbin Gap Road    | 3650 4150 | -1 | 330 | farm  | Farm | -30
Hobbin Gap Road    | 4700 5050 | -1 | 280 | court | Lane | 30
Hobbin Gap Road    | 4330 6300 |  1 | 240 | farm  | Farm | 25
Hobbin Gap Road    | 5700 7880 |  1 | 300 | farm  | Farm | -20
Hobbin Gap Road    | 8000 8320 | -1 | 280 | farm  | Farm | 20
Old Dray Road      | 2250 3960 |  1 | 320 | farm  | Farm | 25
Old Dray Road      |  720 3300 |  1 | 300 | farm  | Farm | -25
Old Dray Road      |  800 2800 | -1 | 280 | court | Lane | 20
Charcoal Lane      | 2080 5450 | -1 | 260 | farm  | Farm | 20
Charcoal Lane      | 2300 6200 |  1 | 240 | farm  | Farm | 20
Tannery Ridge Road | 3500 6050 |  1 | 260 | farm  | Farm | 30
Lantern River Road | 3150 1230 |  1 | 300 | court | Lane | 30
Lantern River Road | 3900 1160 |  1 | 420 | farm  | Farm | 30
Lantern River Road | 4700 1170 |  1 | 380 | farm  | Farm | -20
Lantern River Road | 7200 1130 |  1 | 300 | farm  | Farm | 20
Lantern River Road | 8600 1410 |  1 | 330 | farm  | Farm | 20
South Bank Road    | 2500 690 | -1 | 260 | farm  | Farm | 20
South Bank Road    | 3300 620 | -1 | 280 | farm  | Farm | -20
South Bank Road    | 4400 620 |  1 | 160 | farm  | Farm | 10
South Bank Road    | 5200 640 | -1 | 300 | farm  | Farm | 20
Weeping Gate Road  | 5800 7260 |  1 | 280 | farm  | Farm | 20
Weeping Gate Road  | 6450 6750 | -1 | 320 | farm  | Farm | 25
Weeping Gate Road  | 7750 6250 | -1 | 300 | farm  | Farm | 25
Weeping Gate Road  | 8480 7400 |  1 | 300 | farm  | Farm | 25
Weeping Gate Road  | 8560 7900 | -1 | 320 | farm  | Farm | 25
Hobbin Creek Road  | 6850 5850 |  1 | 300 | farm  | Farm | -25
Hobbin Creek Road  | 7500 5050 |  1 | 330 | farm  | Farm | 25
Hobbin Creek Road  | 8200 4780 |  1 | 300 | farm  | Farm | 25
"""
"""Lanes off the main roads: road, where, side (1 left, -1 right), length in m, kind, ending of the name, bend."""


def _lanes(roads: dict[str, Road], rng: np.random.Generator) -> None:
    names = iter(_WORDS.split())
    court = {"highway": "residential", **SEALED}
    farm = {"highway": "service", "service": "driveway", "surface": "unpaved"}

    def add(
        road: str, along_m: float, side: int, length_m: float, tags: Tags, ending: str, *, bend: float = 0.0
    ) -> str:
        # a driveway has no name of its own: it is known by the road it leaves
        name = (
            f"{next(names)} {ending}"
            if tags["highway"] != "service"
            else f"{road.split(',')[0]}, driveway {len(roads)}"
        )
        skew = 24.0 * (rng.random() - 0.5)
        roads[name] = _lane(
            roads[road], along_m, side=side, length_m=length_m, bend_deg=bend, skew_deg=skew, name=name, tags=dict(tags)
        )
        end = roads[name].line[-1]
        if tags["highway"] == "residential":
            roads[name].node_tags[end] = {"highway": "turning_circle"}
        return name

    # the single-exit street: short side streets on the spurs to both sides, some with a fork
    for along_m, side, length_m, bend, fork in [
        (330, -1, 180, 20, 0), (560, 1, 210, -35, 90), (1130, -1, 150, -20, 0), (1330, 1, 170, 25, 0),
        (1500, -1, 250, -20, 120), (1820, 1, 230, 30, 110), (2030, -1, 130, 30, 0), (2330, 1, 260, -30, 130),
        (2640, -1, 240, 25, 100), (2850, 1, 180, 20, 0), (3080, -1, 220, -35, 110), (3330, 1, 240, 30, 120),
        (3560, -1, 180, 20, 0), (3790, 1, 190, -25, 0), (4030, -1, 120, 20, 0), (4230, 1, 150, 30, 0),
        (4440, -1, 130, 20, 0),
    ]:  # fmt: skip
        name = add("Sallow Spur Road", along_m, side, length_m, court, "Court" if fork == 0 else "Rise", bend=bend)
        if fork:
            add(name, 0.55 * length_m, -side, fork, court, "Close", bend=-bend)
    spur = roads["Sallow Spur Road"]
    loop = [join(spur, 2160.0)]
    for along_m, off in ((2190.0, -95.0), (2280.0, -150.0), (2400.0, -150.0), (2480.0, -90.0)):
        (x, y), (dx, dy) = point_at(spur.line, along_m)
        loop.append((x - off * dy, y + off * dx))
    loop.append(join(spur, 2510.0))
    roads["Windlass Crescent"] = Road("Windlass Crescent", drawn(loop, step_m=45.0), {**court, "maxspeed": "50"})

    for row in _LANES.strip().splitlines():
        road, spot, side_text, length_text, kind, ending, bend_text = (part.strip() for part in row.split("|"))
        x, y = (float(part) for part in spot.split())
        along_m = nearest(roads[road].line, (x, y))[0]
        tags = farm if kind == "farm" else court
        name = add(road, along_m, int(side_text), float(length_text), tags, ending, bend=float(bend_text))
        if float(length_text) >= 280.0:
            add(name, 0.6 * float(length_text), -int(side_text), 110.0, tags, ending, bend=-10.0)

    # Hobbin Gap and Lantern Weir: a back street that loops, and a few lanes
    for road, first, last, side, name in [
        ("Hobbin Gap Road", (6760, 8070), (7480, 8210), 1, "Hall Street"),
        ("Lantern River Road", (5980, 1160), (6620, 1130), 1, "Weir Street"),
    ]:
        main = roads[road]
        s0, s1 = nearest(main.line, first)[0], nearest(main.line, last)[0]
        inner = []
        for k in (0.0, 0.25, 0.5, 0.75, 1.0):
            (x, y), (dx, dy) = point_at(main.line, s0 + k * (s1 - s0))
            inner.append(tenth((x - side * 150.0 * dy, y + side * 150.0 * dx)))
        roads[name] = Road(name, [join(main, s0), *inner, join(main, s1)], {**court, "maxspeed": "50"})
        for k in (1, 2, 3):
            cross = f"{next(names)} Street"
            roads[cross] = Road(cross, [join(main, s0 + 0.25 * k * (s1 - s0)), inner[k]], {**court, "maxspeed": "50"})
        for k in (2, 4):
            add(name, lengths(roads[name].line)[k] - 45.0, side, 120.0, court, "Place", bend=20)
        add(road, s0 + 0.4 * (s1 - s0), -side, 110.0, court, "Place", bend=15)
    for street, along_m, side in [
        ("Top Paddock Street", 60, 1), ("Top Paddock Street", 250, 1), ("Top Paddock Street", 480, 1),
        ("Top Paddock Street", 690, 1), ("Top Paddock Street", 860, 1), ("Mill Bank Street", 90, -1),
        ("Mill Bank Street", 480, -1), ("Mill Bank Street", 640, -1), ("Mill Bank Street", 900, -1),
        ("Showground Road", 310, 1), ("Showground Road", 530, 1),
    ]:  # fmt: skip
        add(street, along_m, side, 120.0, court, "Court", bend=10)


def _homes(roads: dict[str, Road], rng: np.random.Generator) -> list[Home]:
    a = np.array([p for r in roads.values() for p in r.line[:-1]])
    b = np.array([p for r in roads.values() for p in r.line[1:]])
    homes: list[Home] = []
    for road in roads.values():
        kind, total = road.tags["highway"], lengths(road.line)[-1]
        if kind == "track" or road.name in ("South Bank Road", "Tannery Ridge Road", "Stallholders Lane"):
            continue
        if ", driveway" in road.name:
            spots = [(total, 1, 24.0)]
        else:
            in_town = kind in ("residential", "service") or road.name in ("Foundry Street", "Pound Street")
            gap = 58.0 if in_town else 150.0 if road.name == "Sallow Spur Road" else 900.0
            count = int((total - 30.0) // gap)
            spots = [(40.0 + gap * (k + 0.3 * rng.random()), s, 26.0) for k in range(count) for s in (1, -1)]
        keep = 0.17 if kind == "residential" else 0.75
        for along_m, side, off in spots:
            chance, turn = rng.random(), rng.random()
            if along_m > total or (chance > keep and ", driveway" not in road.name):
                continue
            (x, y), (dx, dy) = point_at(road.line, min(along_m, total - 0.01))
            reach = off + 10.0 * turn
            away = (-side * dy, side * dx) if along_m < total else (dx, dy)
            cx, cy = x + reach * away[0], y + reach * away[1]
            d, e = b - a, np.array([cx, cy]) - a
            t = np.clip((e * d).sum(1) / (d * d).sum(1), 0.0, 1.0)
            clear = np.sqrt(((e - t[:, None] * d) ** 2).sum(1)).min()
            if clear < 17.0 or any(math.dist((cx, cy), h.centre) < 28.0 for h in homes):
                continue
            half, deep = 5.5 + 3.0 * turn, 4.2 + 1.5 * turn
            corners = [
                (cx + u * half * dx - v * deep * dy, cy + u * half * dy + v * deep * dx)
                for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ]
            tags = {"building": "house", "addr:street": road.name.split(",")[0]}
            if ", driveway" not in road.name:
                number = round(along_m / (10.0 if road.numbered_by_distance else 12.0))
                tags["addr:housenumber"] = str(max(1, number - (number % 2 == 0) + (side > 0)))
            homes.append(Home((cx, cy), [*corners, corners[0]], tags, road.name, along_m))
    return homes


def make_locality() -> Locality:
    """Draw the whole locality. Same result every time."""
    rng = np.random.default_rng(20260117)
    roads: dict[str, Road] = {}
    _village(roads, rng)
    _main_roads(roads)
    _lanes(roads, rng)
    for road in roads.values():
        # a bridge wherever a road crosses water, unless the stretch has been described already
        for name, water in WATERS.items():
            for along_m in crossings(road.line, [(x, y) for x, y, _ in water]):
                if not any(s - 1.0 <= along_m <= t + 1.0 and "bridge" in tags for s, t, tags in road.stretches):
                    wide = 16.0 if name == "Lantern River" else 8.0
                    road.stretches.append((along_m - wide, along_m + wide, {"bridge": "yes", "layer": "1"}))
    homes = _homes(roads, rng)
    areas: list[tuple[list[Point], Tags]] = [
        (_ring(PLACES["Sallow Spur sports ground"], 62.0, 48.0), {"leisure": "pitch", "surface": "dirt"}),
        (_ring(PLACES["Quarrel Flat showground"], 110.0, 80.0), {"landuse": "recreation_ground"}),
    ]
    for (_, tags), name in zip(areas, ("Sallow Spur sports ground", "Quarrel Flat showground"), strict=True):
        tags["name"] = name
    places: list[tuple[Point, Tags]] = [
        ((1900.0, 1650.0), {"place": "village", "name": "Quarrel Flat"}),
        ((7120.0, 8200.0), {"place": "hamlet", "name": "Hobbin Gap"}),
        ((6300.0, 1200.0), {"place": "hamlet", "name": "Lantern Weir"}),
        ((7000.0, 3700.0), {"place": "hamlet", "name": "Sallow Spur"}),
        ((1700.0, 8000.0), {"place": "locality", "name": "Tannery Ridge"}),
    ]
    return Locality(roads, homes, areas, places)


PLACES: dict[str, Point] = {
    "Sallow Spur sports ground": (8330.0, 3305.0),
    "Quarrel Flat showground": (1190.0, 1760.0),
    "Quarrel Flat hall car park": (2010.0, 1560.0),
    "Hobbin Gap hall": (7300.0, 8290.0),
}


def _ring(centre: Point, half_x: float, half_y: float) -> list[Point]:
    x, y = centre
    return [(x - half_x, y - half_y), (x + half_x, y - half_y), (x + half_x, y + half_y), (x - half_x, y + half_y),
            (x - half_x, y - half_y)]  # fmt: skip
