"""Fuel types, which rate-of-spread equation each one takes, and the map of them on a grid.

Where a map says nothing, or says something unknown that the caller wants to pass, the cell becomes `UNMAPPED`: it
burns, and the fastest of all equations counts there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import rasterio.enums
import rasterio.features
import rasterio.transform
import shapely
from numpy.typing import NDArray

from leaveby.errors import Fault, InputError, refuse
from leaveby.fire.terrain import Grid

Equation = Literal["forest", "grass", "shrubland", "any", "none"]
GrassState = Literal["natural", "grazed", "eaten_out"]


@dataclass(frozen=True)
class FuelType:
    """What burns in a cell, as the equations need it.

    Attributes
    ----------
    name : str
    equation : {"forest", "grass", "shrubland", "any", "none"}
        Which family of equations applies; "any" is the fastest of all, "none" does not burn.
    surface_load_t_ha, overall_load_t_ha : float
        Fine fuel on the ground, and with the shrubs, bark and canopy that burn with it, t/ha.
    surface_hazard_score, near_surface_hazard_score : float
        Fuel hazard scores, 0 to 4.
    near_surface_height_cm : float
        Height of the near-surface layer, cm.
    grass_state : {"natural", "grazed", "eaten_out"}
        Curve of the grassland model.
    grass_factor : float
        Share of the open-grassland rate of spread under trees, above 0 and up to 1.
    shrub_height_m : float
        Mean height of the shrubs, m.
    shrub_wind_factor : float
        Wind at the shrubs over open wind at 10 m: 0.67 in the open, 0.35 under trees.
    origin : str
        Where the values come from.
    """

    name: str
    equation: Equation
    surface_load_t_ha: float = 0.0
    overall_load_t_ha: float = 0.0
    surface_hazard_score: float = 0.0
    near_surface_hazard_score: float = 0.0
    near_surface_height_cm: float = 0.0
    grass_state: GrassState = "natural"
    grass_factor: float = 1.0
    shrub_height_m: float = 0.0
    shrub_wind_factor: float = 0.67
    origin: str = "judgement"

    def __post_init__(self) -> None:
        """Refuse values that no equation can take."""
        numbers = (
            self.surface_load_t_ha,
            self.overall_load_t_ha,
            self.surface_hazard_score,
            self.near_surface_hazard_score,
            self.near_surface_height_cm,
            self.shrub_height_m,
        )
        if not all(np.isfinite(value) and value >= 0.0 for value in numbers):
            raise ValueError(f"{self.name}: loads, scores and heights must be finite and not below 0")
        if max(self.surface_hazard_score, self.near_surface_hazard_score) > 4.0:
            raise ValueError(f"{self.name}: hazard scores run from 0 to 4")
        if not 0.0 < self.grass_factor <= 1.0 or not 0.0 < self.shrub_wind_factor <= 1.0:
            raise ValueError(f"{self.name}: grass_factor and shrub_wind_factor must be above 0 and up to 1")
        needs: dict[str, tuple[float, ...]] = {
            "forest": (self.surface_load_t_ha, self.surface_hazard_score, self.near_surface_hazard_score),
            "shrubland": (self.shrub_height_m,),
        }
        needs["any"] = needs["forest"] + needs["shrubland"]
        if not all(value > 0.0 for value in needs.get(self.equation, ())):
            raise ValueError(f"{self.name}: a value that the {self.equation} equations need is missing")

    @property
    def burns(self) -> bool:
        """Whether fire spreads in it."""
        return self.equation != "none"

    @property
    def grass(self) -> bool:
        """Whether the length-to-breadth relation of grass applies."""
        return self.equation == "grass"


_LOADS = "loads of AS 3959 Table B2 from memory; hazard scores and heights by judgement for long-unburnt fuel"
_GRASS = "load 4.5 t/ha of AS 3959 from memory; state by name"
_UNDER_TREES = "share of open-grassland spread from Cheney and Sullivan (2008), from memory"

UNMAPPED: Final = FuelType(
    "unmapped",
    "any",
    surface_load_t_ha=25.0,
    overall_load_t_ha=35.0,
    surface_hazard_score=3.5,
    near_surface_hazard_score=3.0,
    near_surface_height_cm=25.0,
    shrub_height_m=2.0,
    origin="the fastest of dry eucalypt forest, natural grassland and open shrubland, by judgement",
)

_TYPES: Final = (
    FuelType(
        "dry eucalypt forest",
        "forest",
        surface_load_t_ha=25.0,
        overall_load_t_ha=35.0,
        surface_hazard_score=3.5,
        near_surface_hazard_score=3.0,
        near_surface_height_cm=25.0,
        origin=_LOADS,
    ),
    FuelType(
        "recently burnt forest",
        "forest",
        surface_load_t_ha=10.0,
        overall_load_t_ha=14.0,
        surface_hazard_score=2.5,
        near_surface_hazard_score=2.0,
        near_surface_height_cm=15.0,
        origin="judgement, for 2 to 5 years since fire",
    ),
    FuelType(
        "tall wet forest",
        "forest",
        surface_load_t_ha=25.0,
        overall_load_t_ha=35.0,
        surface_hazard_score=4.0,
        near_surface_hazard_score=3.5,
        near_surface_height_cm=30.0,
        origin=_LOADS + "; the dry eucalypt model was not made for it",
    ),
    FuelType(
        "woodland",
        "forest",
        surface_load_t_ha=15.0,
        overall_load_t_ha=25.0,
        surface_hazard_score=3.0,
        near_surface_hazard_score=2.5,
        near_surface_height_cm=20.0,
        origin=_LOADS,
    ),
    FuelType(
        "pine plantation",
        "forest",
        surface_load_t_ha=15.0,
        overall_load_t_ha=25.0,
        surface_hazard_score=3.5,
        near_surface_hazard_score=2.5,
        near_surface_height_cm=20.0,
        origin="judgement; the eucalypt equations stand in for a conifer model",
    ),
    FuelType(
        "grassy woodland",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=4.5,
        grass_factor=0.5,
        origin=_UNDER_TREES,
    ),
    FuelType(
        "grassy open forest",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=4.5,
        grass_factor=0.3,
        origin=_UNDER_TREES,
    ),
    FuelType("natural grassland", "grass", surface_load_t_ha=4.5, overall_load_t_ha=4.5, origin=_GRASS),
    FuelType("crop", "grass", surface_load_t_ha=4.5, overall_load_t_ha=4.5, origin="as natural grassland, judgement"),
    FuelType(
        "grazed pasture",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=4.5,
        grass_state="grazed",
        origin=_GRASS,
    ),
    FuelType(
        "eaten-out pasture",
        "grass",
        surface_load_t_ha=1.5,
        overall_load_t_ha=1.5,
        grass_state="eaten_out",
        origin="load by judgement; state by name",
    ),
    FuelType(
        "shrubland",
        "shrubland",
        surface_load_t_ha=15.0,
        overall_load_t_ha=15.0,
        shrub_height_m=1.5,
        origin="load of AS 3959 Table B2 from memory; height by judgement",
    ),
    FuelType(
        "heath",
        "shrubland",
        surface_load_t_ha=15.0,
        overall_load_t_ha=15.0,
        shrub_height_m=1.0,
        origin="as shrubland, lower",
    ),
    FuelType(
        "scrub",
        "shrubland",
        surface_load_t_ha=25.0,
        overall_load_t_ha=25.0,
        shrub_height_m=3.0,
        origin="load of AS 3959 Table B2 from memory; height by judgement",
    ),
    FuelType(
        "shrubs under trees",
        "shrubland",
        surface_load_t_ha=15.0,
        overall_load_t_ha=15.0,
        shrub_height_m=1.5,
        shrub_wind_factor=0.35,
        origin="wind factor of Anderson et al. (2015) from memory",
    ),
    FuelType(
        "houses and gardens",
        "grass",
        surface_load_t_ha=4.5,
        overall_load_t_ha=4.5,
        grass_state="grazed",
        origin="judgement: gardens and houses carry fire; taken to spread it like grazed pasture",
    ),
    UNMAPPED,
    FuelType("water", "none", origin="does not burn"),
    FuelType("bare ground", "none", origin="does not burn; for rock, scree, sand, quarries"),
    FuelType("sealed surface", "none", origin="does not burn; only for surfaces wider than a cell"),
)

FUEL_TYPES: Final[Mapping[str, FuelType]] = {fuel.name: fuel for fuel in _TYPES}
"""The table of common fuel types, by name."""

LAND_COVER: Final[Mapping[str, str]] = {
    "wood": "dry eucalypt forest",
    "forest": "dry eucalypt forest",
    "tree_row": "woodland",
    "orchard": "woodland",
    "vineyard": "natural grassland",
    "plantation": "pine plantation",
    "grassland": "natural grassland",
    "grass": "natural grassland",
    "meadow": "natural grassland",
    "fell": "natural grassland",
    "farmland": "natural grassland",
    "farmyard": "natural grassland",
    "pasture": "natural grassland",
    "wetland": "natural grassland",
    "park": "natural grassland",
    "recreation_ground": "natural grassland",
    "cemetery": "natural grassland",
    "golf_course": "grazed pasture",
    "brownfield": "natural grassland",
    "greenfield": "natural grassland",
    "landfill": "natural grassland",
    "shrubbery": "shrubland",
    "residential": "houses and gardens",
    "commercial": "houses and gardens",
    "retail": "houses and gardens",
    "industrial": "houses and gardens",
    "bare_rock": "bare ground",
    "rock": "bare ground",
    "scree": "bare ground",
    "shingle": "bare ground",
    "sand": "bare ground",
    "beach": "bare ground",
    "quarry": "bare ground",
    "glacier": "bare ground",
    "reservoir": "water",
    "basin": "water",
    "bay": "water",
    "lake": "water",
    "river": "water",
    "aerodrome": "natural grassland",
    "parking": "sealed surface",
}
"""OpenStreetMap values of `landuse`, `natural` and the like, with the fuel type each is taken for: the faster where in
doubt (grass stands uncut, wetlands are dry, industrial land burns)."""


def fuel_type(name: str) -> FuelType:
    """Look a fuel type up by its name, or by a land-cover value of OpenStreetMap.

    Capitals, spaces, underscores and hyphens don't matter.

    Raises
    ------
    InputError
        For an unknown name, with all known ones.

    Examples
    --------
    >>> fuel_type("Dry_Eucalypt_Forest").equation, fuel_type("scree").burns
    ('forest', False)
    """
    found = _lookup(name)
    if found is None:
        raise refuse(
            "fuel type", f"{name!r} is not known", expected=_known(), mend="use one of these names, or map it to one"
        )
    return found


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace("-", " ").split())


_BY_PLAIN_NAME: Final[Mapping[str, FuelType]] = {
    **{_plain(cover): FUEL_TYPES[name] for cover, name in LAND_COVER.items()},
    **{_plain(fuel.name): fuel for fuel in _TYPES},
}


def _lookup(name: str) -> FuelType | None:
    return _BY_PLAIN_NAME.get(_plain(name))


def _known() -> str:
    return "one of: " + ", ".join(FUEL_TYPES) + "; or of the land covers " + ", ".join(LAND_COVER)


@dataclass(frozen=True)
class FuelMap:
    """The fuel type of every cell.

    Attributes
    ----------
    grid : Grid
    code : ndarray of int16, shape (rows, cols)
        Index into `types`.
    types : tuple of FuelType
        Fuel types that can occur.
    assumptions : tuple of str
        What was taken for granted, one sentence each.

    Raises
    ------
    ValueError
        When the shape is not that of the grid or a code points at no type.
    """

    grid: Grid
    code: NDArray[np.int16]
    types: tuple[FuelType, ...]
    assumptions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a map that does not fit its grid or its types."""
        if self.code.shape != self.grid.shape:
            raise ValueError(f"the fuel map has the shape {self.code.shape}, the grid {self.grid.shape}")
        if self.code.min() < 0 or self.code.max() >= len(self.types):
            raise ValueError("a cell points at a fuel type that does not exist")


def uniform_fuel(grid: Grid, fuel: FuelType | str) -> FuelMap:
    """Cover the whole grid with one fuel type.

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=300.0, cell_m=30.0, rows=10, cols=20, crs="EPSG:32755")
    >>> uniform_fuel(grid, "heath").types[0].name
    'heath'
    """
    found = fuel_type(fuel) if isinstance(fuel, str) else fuel
    return FuelMap(
        grid,
        np.zeros(grid.shape, dtype=np.int16),
        (found,),
        (f"The fuel is taken to be {found.name} everywhere; water, bare ground and roads are not left out.",),
    )


def fuel_from_codes(
    grid: Grid,
    values: npt.ArrayLike,
    *,
    legend: Mapping[int, str | FuelType],
    where: str = "the fuel raster",
    nodata: float | None = None,
    unknown: Literal["refuse", "fastest"] = "refuse",
) -> FuelMap:
    """Make the fuel map from a raster of codes and its legend.

    Parameters
    ----------
    values : array_like of numbers, shape (rows, cols)
        Whole numbers on the grid's cells.
    legend : mapping of int to str or FuelType
        Fuel type (or land cover) of each code.
    where : str
        Name of the source, for the faults.
    nodata : float, optional
        Code of cells without a value; they become `UNMAPPED` and are listed.
    unknown : {"refuse", "fastest"}
        What to do with codes that the legend lacks: refuse, or `UNMAPPED` and listed.

    Raises
    ------
    InputError
        For unknown names in the legend, codes without a legend (with the first row and column) and a wrong shape.

    Examples
    --------
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> fuel = fuel_from_codes(grid, [[1, 1], [2, 1]], legend={1: "heath", 2: "water"})
    >>> [[fuel.types[code].name for code in row] for row in fuel.code]
    [['heath', 'heath'], ['water', 'heath']]
    """
    raw = np.asarray(values)
    if raw.shape != grid.shape:
        raise refuse(
            where, f"it has {raw.shape} cells", expected=f"{grid.shape} rows and columns", mend="put it on the grid"
        )
    faults: list[Fault] = []
    types: dict[int, FuelType] = {}
    for code, name in legend.items():
        found = _lookup(name) if isinstance(name, str) else name
        if found is None:
            faults.append(Fault(f"{where}, legend value {code}", f"{name!r} is not known", _known(), "rename it"))
        else:
            types[int(code)] = found
    number = raw.astype(np.float64)
    missing = ~np.isfinite(number)
    if nodata is not None:
        missing |= number == nodata
    known = np.isin(number, list(legend)) & ~missing
    strange = ~known & ~missing
    for value in np.unique(number[strange]):
        row, col = (int(k[0]) for k in np.nonzero(strange & (number == value)))
        if unknown == "refuse":
            faults.append(
                Fault(
                    f"{where} row {row + 1}, column {col + 1}",
                    f"the code {value:g} is not in the legend",
                    "one of " + ", ".join(str(code) for code in legend),
                    "add it to the legend",
                )
            )
    if faults:
        raise InputError(faults)
    assumptions: list[str] = []
    for mask, what in ((strange, "a code that the legend lacks"), (missing, "no value")):
        if mask.any():
            assumptions.append(_filled_in(int(mask.sum()), mask.size, what))
    chosen = (*types.values(), UNMAPPED)
    code_of = np.full(grid.shape, len(chosen) - 1, dtype=np.int16)
    for index, code in enumerate(types):
        code_of[known & (number == code)] = index
    return FuelMap(grid, code_of, chosen, tuple(assumptions) + _notes(chosen, code_of))


def _filled_in(cells: int, of: int, what: str) -> str:
    return (
        f"{cells} of {of} fuel cells have {what}: they are taken to burn as fast as the fastest of "
        "dry eucalypt forest, natural grassland and shrubland."
    )


def _notes(types: Sequence[FuelType], code: NDArray[np.int16]) -> tuple[str, ...]:
    present = {types[k].name: types[k] for k in np.unique(code)}
    notes = []
    if "houses and gardens" in present:
        notes.append("Built-up land is taken to carry fire like grazed pasture, not to stop it.")
    if "pine plantation" in present:
        notes.append("Pine plantation is taken to burn by the eucalypt forest equations.")
    if "tall wet forest" in present:
        notes.append("Tall wet forest is taken to be as dry as dry eucalypt forest.")
    return tuple(notes)


def fuel_from_polygons(
    grid: Grid,
    geometries: Sequence[Any],
    *,
    classes: Sequence[str | None],
    legend: Mapping[str, str | FuelType] | None = None,
    default: FuelType | str = UNMAPPED,
    where: str = "the fuel polygons",
    unknown: Literal["refuse", "fastest"] = "refuse",
) -> FuelMap:
    """Make the fuel map from polygons with a class each.

    A cell takes the class of the polygon that its centre lies in; where several overlap, the smallest.

    Parameters
    ----------
    geometries : sequence of shapely Polygon or MultiPolygon
        In the grid's reference system.
    classes : sequence of str
        Class of each polygon: a fuel type, a land-cover value, or a key of `legend`.
    legend : mapping, optional
        Fuel type of each class.
    default : FuelType or str
        For cells that no polygon covers; listed.
    where : str
        Name of the source, for the faults.
    unknown : {"refuse", "fastest"}
        What to do with classes that are not known: refuse, or `UNMAPPED` and listed.

    Raises
    ------
    InputError
        For unknown or missing classes and geometries that are no valid polygons, all at once.

    Examples
    --------
    >>> from shapely import box
    >>> grid = Grid(x_min_m=0.0, y_max_m=60.0, cell_m=30.0, rows=2, cols=2, crs="EPSG:32755")
    >>> fuel = fuel_from_polygons(grid, [box(0, 0, 30, 60)], classes=["wood"], default="water")
    >>> [[fuel.types[code].name for code in row] for row in fuel.code]
    [['dry eucalypt forest', 'water'], ['dry eucalypt forest', 'water']]
    """
    if len(geometries) != len(classes):
        raise refuse(
            where,
            f"there are {len(geometries)} polygons and {len(classes)} classes",
            expected="as many of each",
            mend="give each polygon a class",
        )
    fallback = fuel_type(default) if isinstance(default, str) else default
    names = {_plain(key): value for key, value in (legend or {}).items()}
    faults: list[Fault] = []
    guessed: list[str] = []
    chosen: list[FuelType] = []
    for index, (geometry, name) in enumerate(zip(geometries, classes, strict=True)):
        place = f"{where}, polygon {index + 1}"
        if not isinstance(geometry, shapely.Polygon | shapely.MultiPolygon) or geometry.is_empty:
            faults.append(Fault(place, f"it is {_described(geometry)}", "a polygon with an area", "mend or remove it"))
        elif not geometry.is_valid:
            reason = shapely.is_valid_reason(geometry)
            faults.append(Fault(place, f"the polygon is not valid ({reason})", "a valid polygon", "mend its outline"))
        found: FuelType | None = None
        if isinstance(name, str) and name.strip():
            target = names.get(_plain(name), name)
            found = target if isinstance(target, FuelType) else _lookup(target)
        if found is None:
            if unknown == "refuse":
                said = f"{name!r} is not known" if isinstance(name, str) and name.strip() else "it has no class"
                faults.append(Fault(place, said, _known(), "give it a known class or add it to the legend"))
            else:
                guessed.append(str(name))
            found = UNMAPPED
        chosen.append(found)
    if faults:
        raise InputError(faults)
    return _rasterized(grid, geometries, chosen=chosen, fallback=fallback, guessed=guessed)


def _described(geometry: object) -> str:
    if geometry is None:
        return "missing"
    if isinstance(geometry, shapely.Geometry):
        kind = type(geometry).__name__
        return f"an empty {kind}" if shapely.is_empty(geometry) else f"a {kind}"
    return f"a {type(geometry).__name__}"


def _rasterized(
    grid: Grid, geometries: Sequence[Any], *, chosen: Sequence[FuelType], fallback: FuelType, guessed: Sequence[str]
) -> FuelMap:
    types = tuple(dict.fromkeys((fallback, *chosen)))
    code = np.zeros(grid.shape, dtype=np.int16)
    count = np.zeros(grid.shape, dtype=np.int16)
    if geometries:
        transform = rasterio.transform.Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m)
        # Later shapes overwrite earlier ones: the largest first, so that the smallest stays on top.
        order = sorted(range(len(geometries)), key=lambda k: -float(geometries[k].area))
        options = {"out_shape": grid.shape, "transform": transform}
        shapes = [(geometries[k], types.index(chosen[k])) for k in order]
        covered = rasterio.features.rasterize(shapes, fill=-1, dtype="int16", **options)
        count = rasterio.features.rasterize(
            [(geometry, 1) for geometry in geometries],
            fill=0,
            dtype="int16",
            merge_alg=rasterio.enums.MergeAlg.add,
            **options,
        )
        code = np.where(covered >= 0, covered, 0).astype(np.int16)
    assumptions: list[str] = []
    bare = int((count == 0).sum())
    if bare:
        assumptions.append(
            _filled_in(bare, count.size, "no polygon")
            if fallback == UNMAPPED
            else f"{bare} of {count.size} fuel cells have no polygon: they are taken to be {fallback.name}."
        )
    if (count > 1).any():
        assumptions.append(f"{int((count > 1).sum())} fuel cells lie in several polygons: the smallest one counts.")
    if guessed:
        names = ", ".join(sorted(set(guessed)))
        assumptions.append(
            f"{len(guessed)} fuel polygons have an unknown class ({names}): they are taken to "
            "burn as fast as the fastest of dry eucalypt forest, natural grassland and shrubland."
        )
    return FuelMap(grid, code, types, tuple(assumptions) + _notes(types, code))
