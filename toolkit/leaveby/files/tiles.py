"""A whole state's streets: the extract is streamed once, cut in tiles, and the tiles are worked on side by side."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
from pyproj import Transformer

from leaveby.errors import refuse
from leaveby.files.road_extracts import OSM_ENDINGS, read_extract
from leaveby.roads.homes import FAR_M, Homes, PlacedHomes
from leaveby.roads.network import utm_crs
from leaveby.roads.street_table import StreetTable
from leaveby.roads.tiling import TileStreets, cut_tiles, cut_ways, joined_tiles, tile_streets

TILE_M: Final = 20_000.0
BUFFER_M: Final = 1500.0
ANSWER_S = 10.0
"""How long a scheduler may take to answer."""

Progress = Callable[[str, int, int], None]
Run = Callable[[Iterable[Any]], Iterator[TileStreets]]


def tiled_streets(
    roads: str | Path,
    read_the_homes: Callable[[str], Homes],
    *,
    tile_m: float = TILE_M,
    buffer_m: float = BUFFER_M,
    far_m: float = FAR_M,
    count_tracks: bool = False,
    region: str = "AU",
    box: tuple[float, float, float, float] | None = None,
    edge_deg: tuple[float, float, float, float] | None = None,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> tuple[StreetTable, PlacedHomes]:
    """Read the streets and homes of a large extract in tiles, each in a process of its own, and put them together.

    The answer does not depend on the size of the tiles, nor on how many workers there are.

    Parameters
    ----------
    roads : str or Path
        OpenStreetMap extract.
    read_the_homes : callable
        Gives the homes in a reference system.
    tile_m, buffer_m : float
        Side of a tile, and how far around itself it sees.
    far_m, count_tracks, region
        As for `place_homes` and `street_table`.
    box : (west, south, east, north), optional
        Keep the roads that touch this box, in degrees.
    edge_deg : (west, south, east, north), optional
        Let every street end where it crosses the edge of this box.
    scheduler : str, optional
        Address of a Dask scheduler (`tcp://host:8786`). Without it, processes of this machine do the work; with
        `workers` 1, this process does.
    workers : int, optional
        How many processes; as many as processors when left out.
    progress : callable, optional
        Called with (what, done, total).

    Returns
    -------
    StreetTable, PlacedHomes

    Raises
    ------
    InputError
        When the extract can't be read, the scheduler does not answer, or Dask is wanted and not installed.

    Examples
    --------
    >>> tiled_streets("roads.graphml", lambda crs: Homes((), np.zeros(0), np.zeros(0), np.zeros(0)))
    Traceback (most recent call last):
        ...
    leaveby.errors.InputError: roads.graphml: only OpenStreetMap extracts are read in tiles. Expected ...
    """
    file = Path(roads)
    if not file.name.lower().endswith(OSM_ENDINGS):
        raise refuse(
            str(file),
            "only OpenStreetMap extracts are read in tiles",
            expected=", ".join(OSM_ENDINGS),
            mend="leave the tiles out for other kinds of file",
        )
    tell = progress or _silent
    tell("reading", 0, 1)
    ways = read_extract(file, box=box, classes=None, edge_deg=edge_deg)
    crs = utm_crs(float(ways.lon_deg.mean()), lat_deg=float(ways.lat_deg.mean()))
    homes = read_the_homes(crs)
    parts, source = cut_ways(ways)
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(parts.lon_deg, parts.lat_deg)
    tiles = cut_tiles(
        parts,
        source,
        x_m=np.asarray(x, dtype=np.float64),
        y_m=np.asarray(y, dtype=np.float64),
        homes=homes,
        crs=crs,
        tile_m=tile_m,
        buffer_m=buffer_m,
        far_m=far_m,
        count_tracks=count_tracks,
        region=region,
    )
    tell("reading", 1, 1)
    done: list[TileStreets] = []
    with _workshop(scheduler, workers, len(tiles)) as run:
        for result in run(tiles):
            done.append(result)
            tell("tiles", len(done), len(tiles))
    return joined_tiles(done, homes=homes, source=source, far_m=far_m, assumptions=ways.assumptions)


def _silent(*_: object) -> None:
    return


@contextmanager
def _workshop(scheduler: str | None, workers: int | None, tiles: int) -> Iterator[Run]:
    """Something that runs the tiles: this process, processes of this machine, or a cluster that is there already."""
    if scheduler is None and (workers == 1 or tiles == 1):
        yield lambda items: (tile_streets(item) for item in items)
        return
    try:
        dask: Any = importlib.import_module("distributed")
    except ImportError as error:
        raise refuse(
            "tiles",
            "Dask is not installed",
            expected="leaveby with its extra `large`",
            mend='install it with: pip install "leaveby[large]", or work with one process (--workers 1)',
        ) from error

    def by(client: Any) -> Run:
        def run(items: Iterable[Any]) -> Iterator[TileStreets]:
            for _, result in dask.as_completed(client.map(tile_streets, list(items), pure=False), with_results=True):
                yield result

        return run

    if scheduler is not None:
        try:
            client = dask.Client(scheduler, timeout=ANSWER_S)
        except (OSError, TimeoutError, ValueError) as error:
            raise refuse(
                "--scheduler",
                f"{scheduler} does not answer ({error})",
                expected="the address of a running Dask scheduler, such as tcp://127.0.0.1:8786",
                mend="start one, correct the address, or leave it out",
            ) from error
        with client:
            yield by(client)
        return
    with (
        dask.LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
        ) as cluster,
        dask.Client(cluster) as client,
    ):
        yield by(client)
