"""What `leaveby new --fetch` gets for a home: it stands where options of that name were left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from leaveby.ask.new_given import clock_of, countries_near, named_countries, point_of, region_of
from leaveby.download.bad_day import bad_day_and_winds
from leaveby.download.fetch import LEGEND_FILE, Fetched, fetch
from leaveby.download.sources import sources_for
from leaveby.errors import refused
from leaveby.household.plan_places import Place
from leaveby.regions import country_of, rating_scale

BAD_DAY_FILE: Final = "bad_day.csv"


def fetched_for(
    given: Mapping[str, Any], folder: Path, *, today: datetime, progress: Callable[[str], None]
) -> tuple[dict[str, Any], list[str]]:
    """Fetch into the folder what no option names, and give the options with it, and what was taken for granted.

    Each source is told before it is asked, with all that is sent. Files that are there already are kept, so that a
    second call goes on.

    Raises
    ------
    InputError
        Without a home, where the country is in doubt, or with every source that could not be fetched.
    """
    if given.get("home") is None:
        raise refused("--home", "fetch_without_home")
    home = point_of(given["home"], where="--home")
    near = countries_near(home) if given.get("region") is None else (region_of(given["region"]),)
    if len(near) != 1:
        raise refused("--region", "fetch_country_in_doubt", near=named_countries(near) or "none known")
    region = near[0]
    missing = {"roads": not given.get("roads"), "heights": not (given.get("terrain") or given.get("flat"))}
    missing |= {"land_cover": not given.get("fuel"), "weather": not (given.get("weather") or given.get("bad_day"))}
    sources = sources_for(*home, last_year=today.year - 1)
    wanted = [source for source in sources if missing[source.name]]
    found = fetch(wanted, folder, progress=progress, country=country_of(region), today=today.date().isoformat())
    added: dict[str, Any] = {}
    said = [*found.said, *(f"To be named on what is drawn from it: {one}" for one in found.attributions)]
    for name, option in (("roads", "roads"), ("heights", "terrain"), ("land_cover", "fuel")):
        if name in found.files:
            added[option] = str(found.files[name])
    if "land_cover" in found.files:
        added["fuel_legend"] = str(folder / LEGEND_FILE)
    if "weather" in found.files:
        progress("Looking for the worst day of the years.")
        table, winds, told = _bad_day(found, folder, home=home, region=region, today=today)
        added |= {"weather": str(table), "wind_percent": winds}
        said += told
    return {**given, **added}, said


def _bad_day(
    found: Fetched, folder: Path, *, home: Place, region: str, today: datetime
) -> tuple[Path, tuple[float, ...], tuple[str, ...]]:
    """Write the worst day as a table beside the years that it was found in; one that is there is kept."""
    midsummer = datetime(today.year - 1, 1 if home[1] < 0.0 else 7, 15, 12)
    offset = clock_of(home, region=region).utcoffset(midsummer)
    bad = bad_day_and_winds(
        sorted(found.files["weather"].glob("*.json")),
        scale=rating_scale(region),
        lat_deg=home[1],
        utc_offset_h=0.0 if offset is None else offset.total_seconds() / 3600.0,
    )
    table = folder / BAD_DAY_FILE
    if not table.exists():
        part = folder / f".{BAD_DAY_FILE}"
        part.write_text(bad.table, encoding="utf-8")
        part.replace(table)
    rated = "" if bad.rating is None else f", rated {bad.rating}"
    return table, bad.wind_percent, (f"The worst day of those years was {bad.day}{rated}.", *bad.said)
