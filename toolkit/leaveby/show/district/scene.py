"""What the map of a district shows, as tables: homes, streets that shut first, places of most people, exits, links."""

from __future__ import annotations

from collections import Counter

from shapely.geometry import Point

from leaveby.caution import OVERRIDE
from leaveby.decision.district.result import DistrictSurvey
from leaveby.decision.rules.words import share_words
from leaveby.show.district.record import flat_rows
from leaveby.show.district.words import from_words, goes_symbol, link_words
from leaveby.show.scene import Rows, Scene, notices_of, tables_of, thing
from leaveby.show.wording import clean, map_notice


def district_scene(survey: DistrictSurvey) -> Scene:
    """Lay out what the map of a district shows."""
    asked = survey.question
    streets = asked.roads.streets
    last = asked.ratings[-1].name
    homes = [
        thing(
            goes_symbol(one.ratings),
            one.identity,
            f"The evening before: {from_words(survey, one.ratings)}. {share_words(one.ratings[-1].share)} of 100 fires "
            f"leave too little time on a day rated {last}.",
            Point(one.x_m, one.y_m),
            **{_column(name): value for name, value in row.items() if name not in ("lon_deg", "lat_deg")},
        )
        for row, one in zip(flat_rows(survey), survey.homes, strict=True)
    ]
    shuts = Counter(one.shuts_first for one in survey.homes if one.shuts_first)
    made: dict[str, tuple[str, str, Rows]] = {
        "homes": ("Homes", "In the order in which they have to go.", homes),
        "shuts_first": (
            "Streets that shut first",
            "Streets whose shutting most often leaves homes least time.",
            [
                thing(
                    "shut",
                    name,
                    f"Shuts first for {shuts[name]} homes.",
                    streets.geometry[row],
                    name=clean(name),
                    homes=shuts[name],
                )
                for row, name in enumerate(streets.name)
                if name in shuts
            ],
        ),
        "cut_off": (
            "Where fire cuts people off",
            "Streets at which fire cuts off most people, the most first.",
            [
                thing(
                    "cut_off",
                    f"C{number}",
                    f"{one.street}: {one.people[-1]:.0f} people on average, {one.most:.0f} in the worst fire.",
                    Point(one.x_m, one.y_m),
                    number=number,
                    street=clean(one.street),
                    people_on_average=round(one.people[-1], 2),
                    people_at_most=round(one.most, 1),
                )
                for number, one in enumerate(survey.cut_off, start=1)
            ],
        ),
        "exits": (
            "Safe points",
            "Where leaving ends.",
            [
                thing("exit", name, "", Point(float(streets.x_m[node]), float(streets.y_m[node])), name=clean(name))
                for name, node in asked.roads.exits.items()
            ],
        ),
        "links": (
            "Second exits",
            "Links that were looked at.",
            [
                thing(
                    "link",
                    f"L{number + 1}",
                    link_words(survey, number, survey.measures),
                    link.line,
                    number=number + 1,
                    kind=link.kind,
                )
                for number, link in enumerate(asked.help.links)
            ],
        ),
    }
    return Scene(
        clean(asked.name), OVERRIDE, "", notices_of(map_notice(survey)), streets.crs, tables_of(made, streets.crs)
    )


def _column(name: str) -> str:
    """A column's name without blanks and signs."""
    return "".join(letter if letter.isalnum() else "_" for letter in name).replace("__", "_")
