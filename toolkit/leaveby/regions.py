"""Countries and states whose road rules a plan can ask for, and the tables of rules that lie beside the code."""

from __future__ import annotations

import csv
import difflib
import pkgutil
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, Final, Literal

from leaveby.errors import Fault, fault_of

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


def rating_scale(region: str) -> Literal["australia", "europe", "own"]:
    """Name the scale of official fire danger ratings that holds in a region: "australia", "europe", or else "own".

    Examples
    --------
    >>> [rating_scale(region) for region in ("AU-NSW", "PT", "US-CA")]
    ['australia', 'europe', 'own']
    """
    country, scales = country_of(region), _KNOWN["rating_scales"]["values"]
    if country in scales["australia"]:
        return "australia"
    return "europe" if country in scales["europe"] else "own"


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
        mend = 'write "GB" if that was meant' if country == "UK" else "correct it"
        return [fault_of(place, "no_such_country", region=region, known=", ".join(WITH_RULES), mend=mend)]
    if dash and not states:
        return [fault_of(place, "no_rules_by_state", region=region, country=country)]
    if dash and region.upper() not in states:
        close = difflib.get_close_matches(region.upper(), states, n=1, cutoff=0.6)
        mend = f'write "{close[0]}" if that was meant' if close else "correct it"
        known = ", ".join(states)
        return [fault_of(place, "no_such_state", region=region, country=country, states=known, mend=mend)]
    return []


def assumed(name: str, key: str, **values: float) -> tuple[str, ...]:
    """Sentences of a table that lies beside the code, with these values in them, for the assumptions of a result."""
    return tuple(sentence.format(**values) for sentence in table(name)[key])


def table_rows(package: str, name: str) -> tuple[dict[str, str], ...]:
    """Rows of a table that lies beside a package's modules."""
    found = pkgutil.get_data(package, name)
    assert found is not None
    return tuple(csv.DictReader(found.decode().splitlines()))
