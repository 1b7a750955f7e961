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
from leaveby.units import SYSTEMS, Measures

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


def measures_of(region: str) -> Measures:
    """Give the units in which people read distances and speeds in a region: metric but where signs are in miles.

    Examples
    --------
    >>> [measures_of(region).name for region in ("AU-NSW", "US-CA", "GB")]
    ['metric', 'miles and feet', 'miles and yards']
    """
    country = country_of(region)
    return next(
        (SYSTEMS[name] for name, of in _KNOWN["measures"]["values"].items() if country in of), SYSTEMS["metric"]
    )


def rating_words(region: str) -> tuple[str, ...]:
    """Name the ratings that forecasts of a country without numbers use, the mildest first; empty where not known.

    Examples
    --------
    >>> rating_words("US-CA")[-1], rating_words("AU")
    ('Extreme', ())
    """
    return tuple(_KNOWN["rating_words"].get(country_of(region), {}).get("values", ()))


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
        close = ["GB"] if country == "UK" else difflib.get_close_matches(country, WITH_RULES, n=3, cutoff=0.5)
        meant = " or ".join(f'"{name}"' for name in close)
        mend = f"write {meant} if that was meant" if close else "correct it"
        return [fault_of(place, "no_such_country", region=region, known=", ".join(WITH_RULES), mend=mend)]
    if dash and not states:
        return [fault_of(place, "no_rules_by_state", region=region, country=country)]
    if dash and region.upper() not in states:
        close = difflib.get_close_matches(region.upper(), states, n=1, cutoff=0.6)
        mend = f'write "{close[0]}" if that was meant' if close else "correct it"
        known = ", ".join(states)
        return [fault_of(place, "no_such_state", region=region, country=country, states=known, mend=mend)]
    return []


def assumed(name: str, key: str, **values: float | str) -> tuple[str, ...]:
    """Sentences of a table that lies beside the code, with these values in them, for the assumptions of a result."""
    return tuple(sentence.format(**values) for sentence in table(name)[key])


def sentences(name: str, **values: Any) -> tuple[str, ...]:
    """Fill a template that lies beside the code and holds a sentence on each line; lines that stay empty go."""
    lines = (line.strip() for line in _template(name).render(**values).split("\n"))
    return tuple(line for line in lines if line)


@cache
def _template(name: str) -> Any:
    from jinja2 import Environment, StrictUndefined  # only here: asking for help does without

    # a name with a line break in it stays one line
    kept: dict[str, Any] = {"undefined": StrictUndefined, "finalize": lambda value: str(value).replace("\n", " ")}
    environment = Environment(trim_blocks=True, lstrip_blocks=True, **kept)
    return environment.from_string(files("leaveby").joinpath(name).read_text(encoding="utf-8"))


def table_rows(package: str, name: str) -> tuple[dict[str, str], ...]:
    """Rows of a table that lies beside a package's modules."""
    found = pkgutil.get_data(package, name)
    assert found is not None
    return tuple(csv.DictReader(found.decode().splitlines()))
