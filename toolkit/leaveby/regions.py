"""Countries and states whose road rules a plan can ask for, and the tables of rules that lie beside the code."""

from __future__ import annotations

import csv
import difflib
import pkgutil
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, Final

from leaveby.errors import Fault

REGION_PATTERN: Final = r"^[A-Z]{2}(-[A-Z0-9]{1,3})?$"


@cache
def table(name: str) -> Any:
    """Read a table that lies beside the code, `name`.toml in the package, once.

    Examples
    --------
    >>> table("regions")["countries"]["mark"]
    'memory'
    """
    return tomllib.loads(files("leaveby").joinpath(f"{name}.toml").read_text(encoding="utf-8"))


_KNOWN: Final = table("regions")
COUNTRIES: Final = frozenset(_KNOWN["countries"]["values"])
STATES: Final = {
    country: tuple(f"{country}-{state}" for state in states) for country, states in _KNOWN["states"]["values"].items()
}
WITH_RULES: Final = tuple(table("roads/vehicle/speeds")["zone"]["km_h"])
"""Countries whose road rules stand in `leaveby.roads.vehicle`; of others only general values are known."""


def country_of(region: str) -> str:
    """Give the country of a region.

    Examples
    --------
    >>> country_of("AU-NSW")
    'AU'
    """
    return region.upper().partition("-")[0]


def region_faults(region: str, *, place: str) -> list[Fault]:
    """Find out whether a region exists.

    Parameters
    ----------
    region : str
        Country, or country and state: `AU`, `AU-NSW`, `US-CA`.
    place : str
        Where it stands, for messages.

    Returns
    -------
    list of Fault
        Empty when it exists.

    Examples
    --------
    >>> region_faults("AU-NSW", place="[roads] region"), region_faults("AU-NWS", place="[roads] region")[0].mend
    ([], 'write "AU-NSW" if that was meant')
    """
    country, dash, _ = region.upper().partition("-")
    states = STATES.get(country, ())
    if country not in COUNTRIES:
        wrong, mend = f'is "{region}", and there is no such country', "correct it"
        expected = (
            f"a country with rules known here, {', '.join(WITH_RULES)} (of AU and US the state too, as in AU-NSW), or "
            "another country of ISO 3166-1"
        )
        if country == "UK":
            mend = 'write "GB" if that was meant'
    elif dash and not states:
        wrong, mend = f'is "{region}", and no road rule known here differs within {country}', f'write "{country}"'
        expected = f'the country alone, "{country}"'
    elif dash and region.upper() not in states:
        wrong, mend = f'is "{region}", and {country} has no such state', "correct it"
        expected = f"{country} alone, or one of {', '.join(states)}"
        close = difflib.get_close_matches(region.upper(), states, n=1, cutoff=0.6)
        if close:
            mend = f'write "{close[0]}" if that was meant'
    else:
        return []
    return [Fault(place, wrong, expected, mend)]


def table_rows(package: str, name: str) -> tuple[dict[str, str], ...]:
    """Rows of a table that lies beside a package's modules."""
    found = pkgutil.get_data(package, name)
    assert found is not None
    return tuple(csv.DictReader(found.decode().splitlines()))
