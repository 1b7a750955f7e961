"""The map of fuel types on a grid: from a raster and its legend, from polygons, or one type for all.

Where a map says nothing, or polygons something unknown, the cell becomes `UNMAPPED`: it burns, and the fastest of all
equations counts there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio.enums
import rasterio.features
import rasterio.transform
import shapely
from numpy.typing import NDArray

from leaveby.errors import Faults, refuse, refused
from leaveby.fire.fuel.types import UNMAPPED, FuelType, fuel_type, known_fuel_type, known_names, plain_name
from leaveby.fire.terrain import Grid


@dataclass(frozen=True)
class FuelMap:
    """The fuel type of every cell; a shape that is not the grid's, or a code without a type, is refused (ValueError).

    - `code`, shape (rows, cols): index into `types`.
    - `types`: fuel types that can occur.
    - `assumptions`: what was taken for granted, one sentence each.
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
    """Cover the whole grid with one fuel type."""
    found = fuel_type(fuel) if isinstance(fuel, str) else fuel
    said = f"The fuel is taken to be {found.name} everywhere; water, bare ground and roads are not left out."
    return FuelMap(grid, np.zeros(grid.shape, dtype=np.int16), (found,), (said,))


def fuel_from_codes(
    grid: Grid,
    values: npt.ArrayLike,
    *,
    legend: Mapping[int, str | FuelType],
    where: str = "the fuel raster",
    nodata: float | None = None,
) -> FuelMap:
    """Make the fuel map from a raster of codes and its legend.

    - `values`, shape (rows, cols): whole numbers on the grid's cells.
    - `legend`: fuel type (or land cover) of each code.
    - `where`: name of the source, for the faults.
    - `nodata`: code of cells without a value; they become `UNMAPPED` and are listed.

    Raises InputError for unknown names in the legend, codes without a legend (with the first row and column) and a
    wrong shape.
    """
    raw = np.asarray(values)
    if raw.shape != grid.shape:
        raise refused(where, "codes_off_grid", shape=raw.shape, wanted=grid.shape)
    faults = Faults()
    types: dict[int, FuelType] = {}
    for code, name in legend.items():
        found = known_fuel_type(name) if isinstance(name, str) else name
        if found is None:
            faults.add(f"{where}, legend value {code}", f"{name!r} is not known", known_names(), "rename it")
        else:
            types[int(code)] = found
    number = raw.astype(np.float64)
    missing = ~np.isfinite(number)
    if nodata is not None:
        missing |= number == nodata
    known = np.isin(number, list(legend)) & ~missing
    strange = ~known & ~missing
    for value in np.unique(number[strange])[:20]:
        row, col = (int(k[0]) for k in np.nonzero(strange & (number == value)))
        place, known_codes = f"{where} row {row + 1}, column {col + 1}", ", ".join(str(code) for code in legend)
        faults.tell(place, "code_unknown", value=value, known=known_codes)
    faults.refuse()
    gaps = (_filled_in(int(missing.sum()), missing.size, "no value"),) if missing.any() else ()
    chosen = (*types.values(), UNMAPPED)
    code_of = np.full(grid.shape, len(chosen) - 1, dtype=np.int16)
    for index, code in enumerate(types):
        code_of[known & (number == code)] = index
    return FuelMap(grid, code_of, chosen, gaps + _notes(chosen, code_of))


def _filled_in(cells: int, of: int, what: str) -> str:
    return (
        f"{cells} of {of} fuel cells have {what}: they are taken to burn as fast as the fastest of "
        "dry eucalypt forest, natural grassland and shrubland."
    )


def _notes(types: Sequence[FuelType], code: NDArray[np.int16]) -> tuple[str, ...]:
    present = {types[k].name: types[k] for k in np.unique(code)}
    bare = ", ".join(name for name, kind in present.items() if not kind.burns)
    said = (
        ("houses and gardens" in present, "Built-up land is taken to carry fire like grazed pasture, not to stop it."),
        (bare, f"These are taken not to burn, though embers cross them: {bare}."),
        ("pine plantation" in present, "Pine plantation is taken to burn by the eucalypt forest equations."),
        ("tall wet forest" in present, "Tall wet forest is taken to be as dry as dry eucalypt forest."),
    )
    return tuple(line for holds, line in said if holds)


def fuel_from_polygons(
    grid: Grid,
    geometries: Sequence[Any],
    *,
    classes: Sequence[str | None],
    legend: Mapping[str, str | FuelType] | None = None,
    where: str = "the fuel polygons",
) -> FuelMap:
    """Make the fuel map from polygons with a class each.

    A cell takes the class of the polygon that its centre lies in; where several overlap, the smallest.

    - `geometries`: in the grid's reference system.
    - `classes`: class of each polygon: a fuel type, a land-cover value, or a key of `legend`, which names their fuel
      types.
    - `where`: as in `fuel_from_codes`.

    What is unknown or missing burns as `UNMAPPED` and is listed. Raises InputError for geometries that are no valid
    polygons, all at once.
    """
    if len(geometries) != len(classes):
        wrong = f"there are {len(geometries)} polygons and {len(classes)} classes"
        raise refuse(where, wrong, expected="as many of each", mend="give each polygon a class")
    names = {plain_name(key): value for key, value in (legend or {}).items()}
    faults = Faults()
    guessed: list[str] = []
    chosen: list[FuelType] = []
    for index, (geometry, name) in enumerate(zip(geometries, classes, strict=True)):
        place = f"{where}, polygon {index + 1}"
        if not isinstance(geometry, shapely.Polygon | shapely.MultiPolygon) or geometry.is_empty:
            faults.add(place, f"it is {_described(geometry)}", "a polygon with an area", "mend or remove it")
        elif not geometry.is_valid:
            reason = shapely.is_valid_reason(geometry)
            faults.add(place, f"the polygon is not valid ({reason})", "a valid polygon", "mend its outline")
        found: FuelType | None = None
        if isinstance(name, str) and name.strip():
            target = names.get(plain_name(name), name)
            found = target if isinstance(target, FuelType) else known_fuel_type(target)
        if found is None:
            guessed.append(str(name))
        chosen.append(found or UNMAPPED)
    faults.refuse()
    return _rasterized(grid, geometries, chosen=chosen, guessed=guessed)


def _described(geometry: object) -> str:
    if geometry is None:
        return "missing"
    empty = isinstance(geometry, shapely.Geometry) and shapely.is_empty(geometry)
    return f"{'an empty' if empty else 'a'} {type(geometry).__name__}"


def _rasterized(
    grid: Grid, geometries: Sequence[Any], *, chosen: Sequence[FuelType], guessed: Sequence[str]
) -> FuelMap:
    types = tuple(dict.fromkeys((UNMAPPED, *chosen)))
    code = np.zeros(grid.shape, dtype=np.int16)
    count = np.zeros(grid.shape, dtype=np.int16)
    if geometries:
        transform = rasterio.transform.Affine(grid.cell_m, 0.0, grid.x_min_m, 0.0, -grid.cell_m, grid.y_max_m)
        # Later shapes overwrite earlier ones: the largest first, so that the smallest stays on top.
        order = sorted(range(len(geometries)), key=lambda k: -float(geometries[k].area))
        options = {"out_shape": grid.shape, "transform": transform, "dtype": "int16"}
        shapes = [(geometries[k], types.index(chosen[k])) for k in order]
        covered = rasterio.features.rasterize(shapes, fill=-1, **options)
        ones = [(geometry, 1) for geometry in geometries]
        count = rasterio.features.rasterize(ones, merge_alg=rasterio.enums.MergeAlg.add, **options)
        code = np.where(covered >= 0, covered, 0).astype(np.int16)
    assumptions: list[str] = []
    bare = int((count == 0).sum())
    if bare:
        assumptions.append(_filled_in(bare, count.size, "no polygon"))
    if (count > 1).any():
        assumptions.append(f"{int((count > 1).sum())} fuel cells lie in several polygons: the smallest one counts.")
    if guessed:
        names = ", ".join(sorted(set(guessed))[:20])
        assumptions.append(
            f"{len(guessed)} fuel polygons have an unknown class ({names}): they are taken to "
            "burn as fast as the fastest of dry eucalypt forest, natural grassland and shrubland."
        )
    return FuelMap(grid, code, types, tuple(assumptions) + _notes(types, code))
