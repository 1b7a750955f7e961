"""The community question, from files to its answer: roads, homes, exits, terrain and a fire's arrival."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.windows import Window
from shapely.geometry.base import BaseGeometry

from leaveby.ask.household import file_record
from leaveby.decision.fires.closing import closing_times, stretch_cells
from leaveby.decision.streets.result import StreetQuestion, StreetSurvey, SurveyOptions
from leaveby.decision.streets.survey import survey
from leaveby.errors import InputError, refused
from leaveby.files.read.grids import plausible_heights
from leaveby.files.read.homes import place_from_file, read_exits
from leaveby.files.read.licences import credits_of
from leaveby.files.read.rasters import MOST_PIXELS, opened, part_under
from leaveby.files.read.road_extracts import OSM_ENDINGS, extract_bounds
from leaveby.files.read.roads import read_roads
from leaveby.fire.terrain import Grid
from leaveby.regions import region_faults
from leaveby.roads.exits.homes import FAR_M, PlacedHomes
from leaveby.roads.exits.places import boundary_exits, bounds_exits, exits_at, map_outline, over_edge
from leaveby.roads.exits.street_table import StreetTable, street_table
from leaveby.roads.network.grades import edge_grades
from leaveby.roads.network.graph import RoadNetwork

Box = tuple[float, float, float, float]
Progress = Callable[[str, int, int], None]
Sampler = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

_FUEL_STEP_M = 50.0


@dataclass(frozen=True)
class StreetOptions(SurveyOptions):
    """What a survey from files supposes and looks for, beside what `SurveyOptions` says.

    Homes outside of `area_deg` (west, south, east, north) are left out and listed by number. Tracks count as ways out
    for everyone only where asked for. A home farther than `far_m` from every street belongs to no group, and is listed.
    A street shuts `smoke_lead_s` before fire is within `standoff_m` of any part of it.
    """

    area_deg: Box | None = None
    count_tracks: bool = False
    far_m: float = FAR_M
    standoff_m: float = 100.0
    smoke_lead_s: float = 900.0


def survey_streets(
    roads: str | Path,
    homes: str | Path | None = None,
    *,
    exits: str | Path | None = None,
    terrain: str | Path | None = None,
    fuel: str | Path | None = None,
    arrival: str | Path | None = None,
    options: SurveyOptions | None = None,
    progress: Progress | None = None,
) -> StreetSurvey:
    """Answer the community question from files.

    Parameters
    ----------
    roads : str or Path
        Any file of roads that `read_roads` reads. It should reach well beyond the area asked about, to the next main
        roads. An extract that says where it ends is cut there, see `bounds_exits`; in others every road that the edge
        cuts looks like a dead end.
    homes : str or Path, optional
        Footprints, points, or counts per way, see `place_from_file`; the buildings of the extract when left out.
    exits : str or Path, optional
        Points that count as out, and nothing else; where left out, main roads at the edge of the map do.
    terrain, fuel, arrival : str or Path, optional
        Rasters of heights in metres (for grades and links), of fuel loads in t/ha, and of fire arrival times in
        minutes, as `leaveby plan` writes it: with that, it is counted who is not out when the exit shuts.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    InputError
        When a file can't be used, homes can't be read, or nothing leads out.

    Examples
    --------
    >>> survey_streets("no_such_file.osm")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: no_such_file.osm: there is no such file. Expected ...
    """
    asked = options if isinstance(options, StreetOptions) else StreetOptions(**vars(options or SurveyOptions()))
    if wrong := region_faults(asked.region, place="region"):
        raise InputError(wrong)
    file = Path(roads)
    bounds = _bounds(file, homes)
    network = read_roads(file, edge_deg=bounds)
    box_m = (network.x_m.min(), network.y_m.min(), network.x_m.max(), network.y_m.max())
    raster_of = partial(read_raster, crs=network.crs, box_m=box_m)
    heights = None if terrain is None else raster_of(terrain, what="terrain")
    loads = None if fuel is None else _fuel_along(network, raster_of(fuel, what="fuel"))
    grades = None if heights is None else edge_grades(network, heights)
    streets = street_table(
        network, grades=grades, fuel_t_ha=loads, count_tracks=asked.count_tracks, region=asked.region
    )
    area = None if asked.area_deg is None else _area(asked.area_deg, crs=streets.crs)
    placed = place_from_file(file if homes is None else homes, streets, far_m=asked.far_m)
    placed, left_out, supposed = _asked_about(placed, streets, area=area, bounds=bounds)
    outline = map_outline(streets)
    out, maybe, said = _out(streets, exits, area=area, bounds=bounds, outline=outline)
    closing, shut = None, tuple[str, ...]()
    if arrival is not None:
        closing, shut = closings(streets, arrival, standoff_m=asked.standoff_m, smoke_lead_s=asked.smoke_lead_s)
    question = StreetQuestion(
        streets,
        placed,
        exits=out,
        maybe=maybe,
        options=asked,
        elevation=heights,
        closing_s=closing,
        outline=outline,
        supposed=(*supposed, *said, *shut),
        from_osm=network.from_osm and file.name.lower().endswith((*OSM_ENDINGS, ".graphml")),
        credits=credits_of(None if one is None else Path(one) for one in (homes, terrain, fuel)),
        inputs=file_record(roads=roads, homes=homes, exits=exits, terrain=terrain, fuel=fuel, arrival=arrival),
    )
    answer = survey(question, progress=progress)
    balance = replace(answer.balance, homes=answer.balance.homes + left_out, outside_area=left_out)
    return replace(answer, balance=balance)


def _bounds(file: Path, homes: str | Path | None) -> Box | None:
    """Where an extract says that it ends; refused where there is nothing to read homes from."""
    is_osm = file.name.lower().endswith(OSM_ENDINGS)
    if homes is None and not is_osm:
        raise refused("homes", "homes_not_given", file=file)
    return extract_bounds(file) if file.is_file() and is_osm else None


def _asked_about(
    placed: PlacedHomes, streets: StreetTable, *, area: BaseGeometry | None, bounds: Box | None
) -> tuple[PlacedHomes, float, list[str]]:
    """The homes in the area and within the edge of the map, how many were left out, and what is said of that."""
    left_out, supposed = 0.0, []
    if area is not None:
        placed, left_out = _within(placed, area)
        if left_out:
            supposed.append(f"{left_out:g} homes lie outside the area asked about and are in no count.")
    if bounds is not None:
        placed, beyond = _within(placed, _area(bounds, crs=streets.crs), but=over_edge(streets, bounds))
        left_out += beyond
        if beyond:
            supposed.append(
                f"{beyond:g} homes lie beyond the edge of the map, or on streets beyond it, and are in no count."
            )
    return placed, left_out, supposed


def _out(
    streets: StreetTable,
    exits: str | Path | None,
    *,
    area: BaseGeometry | None,
    bounds: Box | None,
    outline: BaseGeometry,
) -> tuple[NDArray[np.int32], NDArray[np.int32], Sequence[str]]:
    """Junctions that count as out, those that may lead out, and what is said of them."""
    none = np.zeros(0, dtype=np.int32)
    if exits is not None:
        names, x, y = read_exits(exits, crs=streets.crs)
        said = [f"Out was taken to be at the {len(names)} places named: {', '.join(names[:20])}."]
        return exits_at(streets, x, y_m=y, names=names), none, said
    if bounds is not None:
        return bounds_exits(streets, bounds, area=area)
    out, told = boundary_exits(streets, area=area, outline=outline)
    return out, none, told


def _area(box: Box, *, crs: str) -> BaseGeometry:
    west, south, east, north = box
    if not (-180.0 <= west < east <= 180.0 and -90.0 <= south < north <= 90.0):
        raise refused("area_deg", "no_box", box=box)
    project = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    ring = shapely.segmentize(shapely.box(*box), max_segment_length=0.02)
    return shapely.transform(ring, lambda xy: np.column_stack(project.transform(xy[:, 0], xy[:, 1])))


def _within(
    homes: PlacedHomes, area: BaseGeometry, *, but: NDArray[np.bool_] | None = None
) -> tuple[PlacedHomes, float]:
    """The homes in an area, but not those on some streets; and how many were left out."""
    shapely.prepare(area)
    inside = np.asarray(shapely.intersects_xy(area, homes.x_m, homes.y_m), dtype=np.bool_)
    if but is not None:
        inside &= (homes.street < 0) | ~but[np.maximum(homes.street, 0)]
    if not inside.any():
        raise refused("area_deg", "no_homes_in_area", homes=len(homes.identity))
    rows = np.flatnonzero(inside)
    columns = {name: getattr(homes, name)[rows] for name in ("street", "along_m", "away_m", "dwellings", "x_m", "y_m")}
    kept = replace(homes, identity=tuple(homes.identity[row] for row in rows), **columns)
    return kept, float(homes.dwellings[~inside].sum())


def _opened(path: str | Path, box_m: Box | None, *, crs: str, what: str) -> tuple[NDArray[np.float64], Any, Any]:
    """The part of a raster under a box, with NaN in its voids, its transform and its reference system."""
    mend = "write the reference system into it, with gdal_edit -a_srs for example"
    with opened(Path(path), what, mend) as raster:
        (source,) = raster.sources
        whole = Window(0, 0, source.width, source.height)
        part = whole if box_m is None else part_under(raster, box_m, crs=crs) or Window(0, 0, 1, 1)
        if part.height * part.width > MOST_PIXELS:
            raise refused(what, "raster_too_fine", path=path, rows=part.height, cols=part.width, most=MOST_PIXELS)
        band = source.read(1, window=part, masked=True).astype(np.float64).filled(np.nan)
        return band, source.window_transform(part), source.crs


def read_raster(path: str | Path, *, crs: str, what: str, box_m: Box | None = None) -> Sampler:
    """Open a raster for reading at points x_m and y_m in `crs`, linear between the middles of its cells.

    NaN off the raster, in its voids and, where a box is given, well outside of that, for no more of it is read. What
    can't be read, names no reference system or has heights that no ground has is an InputError, said of `what` it is.

    >>> read_raster("no_such_file.tif", crs="EPSG:32755", what="terrain")
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: terrain: there is no such file: no_such_file.tif. Expected ...
    """
    band, inverse, own = _opened(path, box_m, crs=crs, what=what)
    if what == "terrain":
        band = plausible_heights(band, key=what, files=str(path))
    inverse = ~inverse
    project = Transformer.from_crs(crs, CRS.from_wkt(own.to_wkt()), always_xy=True)

    def sample(x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = (np.asarray(values, dtype=np.float64) for values in project.transform(x_m, y_m))
        column, row = (np.asarray(values) - 0.5 for values in inverse * (x, y))
        rows, columns = band.shape
        inside = (column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5)
        left = np.clip(np.floor(column), 0, max(columns - 2, 0)).astype(np.int64)
        top = np.clip(np.floor(row), 0, max(rows - 2, 0)).astype(np.int64)
        right, below = np.minimum(left + 1, columns - 1), np.minimum(top + 1, rows - 1)
        u, v = np.clip(column - left, 0.0, 1.0), np.clip(row - top, 0.0, 1.0)
        value = (1 - v) * ((1 - u) * band[top, left] + u * band[top, right]) + v * (
            (1 - u) * band[below, left] + u * band[below, right]
        )
        return np.where(inside, value, np.nan)

    return sample


def _fuel_along(network: RoadNetwork, sample: Sampler) -> NDArray[np.float64]:
    """Mean fuel load along each edge; where the raster is silent, the greatest that was met."""
    line_m = np.asarray(shapely.length(network.geometry), dtype=np.float64)
    pieces = np.maximum(1, np.ceil(line_m / _FUEL_STEP_M)).astype(np.int64)
    edge = np.repeat(np.arange(network.edge_count), pieces)
    start = np.concatenate([[0], np.cumsum(pieces)])[:-1]
    share = (np.arange(edge.size) - np.repeat(start, pieces) + 0.5) / np.repeat(pieces, pieces)
    spots = shapely.get_coordinates(
        shapely.line_interpolate_point(network.geometry[edge], share, normalized=True)
    ).reshape(-1, 2)
    load = sample(spots[:, 0], spots[:, 1])
    known = np.isfinite(load)
    if not known.any() or (load[known] < 0.0).any():
        raise refused("fuel", "no_fuel_under_roads")
    load = np.where(known, load, load[known].max())
    return np.asarray(np.bincount(edge, weights=load, minlength=network.edge_count) / pieces, dtype=np.float64)


def closings(
    streets: StreetTable, arrival: str | Path, *, standoff_m: float, smoke_lead_s: float
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """When each street shuts (seconds from the scenario's start, inf where fire does not come), and what was supposed.

    The raster holds fire arrival times in minutes as `leaveby plan` writes it: north up, square cells in metres; where
    the fire does not come it has no value.
    """
    minutes, transform, own = _opened(arrival, None, crs=streets.crs, what="arrival")
    minutes = np.where(np.isnan(minutes), np.inf, minutes)
    square = transform.a > 0.0 and np.isclose(transform.a, -transform.e) and transform.b == transform.d == 0.0
    if not own.is_projected or not square:
        raise refused(arrival, "arrival_cells_not_square")
    crs = own.to_string()
    rows, columns = minutes.shape
    grid = Grid(x_min_m=transform.c, y_max_m=transform.f, cell_m=transform.a, rows=rows, cols=columns, crs=crs)
    project = Transformer.from_crs(streets.crs, crs, always_xy=True)
    lines = shapely.transform(streets.geometry, lambda xy: np.column_stack(project.transform(xy[:, 0], xy[:, 1])))
    cells = stretch_cells(grid, list(lines), standoff_m=standoff_m)
    times = closing_times(cells, minutes * 60.0, smoke_lead_s=smoke_lead_s)
    outside = int((~cells.inside & streets.driven).sum())
    said = [
        f"A street shuts {smoke_lead_s / 60.0:g} min before fire is within {standoff_m:g} m of any part of it, in the "
        "one fire of the arrival raster. Other fires come faster and from elsewhere."
    ]
    if outside:
        said.append(f"{outside} streets reach beyond the arrival raster: when fire comes there is not known.")
    return times, tuple(said)
