"""Countries and states whose road rules a plan can ask for: the codes that exist, and those with rules here."""

from __future__ import annotations

import difflib
from typing import Final

from leaveby.errors import Fault

REGION_PATTERN: Final = r"^[A-Z]{2}(-[A-Z0-9]{1,3})?$"

_COUNTRIES: Final = (
    "AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ BL BM BN BO BQ BR BS BT BV BW BY BZ "
    "CA CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ DK DM DO DZ EC EE EG EH ER ES ET FI FJ FK FM FO "
    "FR GA GB GD GE GF GG GH GI GL GM GN GP GQ GR GS GT GU GW GY HK HM HN HR HT HU ID IE IL IM IN IO IQ IR IS IT JE "
    "JM JO JP KE KG KH KI KM KN KP KR KW KY KZ LA LB LC LI LK LR LS LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO "
    "MP MQ MR MS MT MU MV MW MX MY MZ NA NC NE NF NG NI NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW "
    "PY QA RE RO RS RU RW SA SB SC SD SE SG SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG TH TJ TK TL TM "
    "TN TO TR TT TV TW TZ UA UG UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM ZW"
)
"""ISO 3166-1, two letters (from memory; the tests hold it against the copy in the time-zone data)."""

_STATES: Final = {
    "AU": "ACT NSW NT QLD SA TAS VIC WA",
    "US": (
        "AK AL AR AZ CA CO CT DC DE FL GA HI IA ID IL IN KS KY LA MA MD ME MI MN MO MS MT NC ND NE NH NJ NM NV NY OH "
        "OK OR PA RI SC SD TN TX UT VA VT WA WI WV WY"
    ),
}
"""States of the countries in which a rule differs from state to state (ISO 3166-2, from memory)."""

COUNTRIES: Final = frozenset(_COUNTRIES.split())
STATES: Final = {country: tuple(f"{country}-{state}" for state in said.split()) for country, said in _STATES.items()}

WITH_RULES: Final = ("AU", "NZ", "GB", "US", "CA", "ZA", "DE", "FR", "ES", "PT", "IT", "GR", "AD", "AT", "CH")
"""Countries whose road rules stand in `leaveby.roads.vehicle.speeds`; of others only general values are known."""


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
