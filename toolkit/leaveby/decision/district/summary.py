"""From what every fire left behind to what a district is told: per home, per street, and where people are cut off.

Nothing here knows how many workers made the rows: a row stands at its fire's number, and every sum is taken in that
order. Homes and streets are read in blocks, so that memory does not grow with the number of fires.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from leaveby.confidence import latest_at_confidence, rank_at
from leaveby.decision.district.fires import needs_s
from leaveby.decision.district.queues import roll_by_s
from leaveby.decision.district.result import (
    AtRating,
    Columns,
    CutOff,
    DistrictQuestion,
    DistrictSurvey,
    Gain,
    Help,
    HomeTimes,
    Need,
    StreetTimes,
)
from leaveby.decision.district.roads import street_called
from leaveby.decision.rules.words import verdict_of, verdict_sentence

BLOCK: Final = 4_000_000
"""So many numbers of homes or streets by fires are held at once."""

LEAST_FIRES: Final = 15
"""Of fewer fires no share is told."""

PLACES: Final = 20
"""Places named at which fire cuts people off."""

IN_DISTRICT: Final = "in the district"
ON_WORD: Final = "on first word of any fire"


@dataclass(frozen=True, eq=False)
class _Shares:
    """Latest departure and shares by rating and column (home or street), never milder under a higher rating."""

    latest_s: NDArray[np.float64]
    share: NDArray[np.float64]


def survey_of(asked: DistrictQuestion, columns: Columns) -> DistrictSurvey:
    """Put the answer together."""
    need_s = needs_s(asked.need, seed=asked.seed, fires=asked.fires)
    return DistrictSurvey(
        question=asked,
        columns=columns,
        homes=tuple(sorted(_homes(asked, columns, need_s), key=lambda one: _first_to_go(one.ratings, one.identity))),
        streets=tuple(_streets(asked, columns, need_s)),
        cut_off=tuple(_cut_off(asked, columns, need_s)),
        error=1.96 * math.sqrt(0.25 / max(asked.fires // len(asked.hours), 1)),
    )


def look(survey: DistrictSurvey, *, rating: int, need_s: float, wind_from: int | None = None) -> DistrictSurvey | None:
    """Look at the same fires for one rating, one need from the start of a fire until one rolls, and one wind.

    `wind_from` is a quarter, from north clockwise; None for all. No fire is solved anew. Gives None where fewer than
    `LEAST_FIRES` ran under that wind.
    """
    asked, columns = survey.question, survey.columns
    rows = np.arange(rating, asked.count, len(asked.ratings))
    if wind_from is not None:
        rows = rows[columns.wind_from[rows] == wind_from]
    if rows.size < LEAST_FIRES:
        return None
    learns_s = min(need_s, float(np.median(asked.need.learns_s)))
    kept = Columns(
        latest_s=np.asarray(columns.latest_s[rows]),
        shuts=np.asarray(columns.shuts[rows]),
        streets_s=np.asarray(columns.streets_s[rows]),
        wind_from=columns.wind_from[rows],
        names=columns.names,
    )
    need = Need(np.array([learns_s]), np.array([need_s - learns_s]))
    one = replace(asked, ratings=(asked.ratings[rating],), fires=int(rows.size), hours=asked.hours[:1], need=need)
    return survey_of(one, kept)


def _first_to_go(ratings: Sequence[AtRating], name: str) -> tuple[object, ...]:
    """Order by how early one must go under the highest rating, then under lower ones."""
    return (*((one.latest_s, -one.share) for one in reversed(ratings)), name)


def _blocks(asked: DistrictQuestion, count: int) -> Iterator[slice]:
    size = max(BLOCK // max(asked.fires, 1), 1)
    for first in range(0, count, size):
        yield slice(first, min(first + size, count))


def _of_rating(asked: DistrictQuestion, rating: int) -> slice:
    return slice(rating, None, len(asked.ratings))


def _short_shares(
    asked: DistrictQuestion, latest_s: NDArray[np.float64], need_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Share of a rating's fires that leave less than needed, at the worst of the hours, by column."""
    short = latest_s < need_s[:, None]
    return np.asarray(
        np.max([short[at :: len(asked.hours)].mean(axis=0) for at in range(len(asked.hours))], axis=0), dtype=np.float64
    )


def _at_confidence(latest_s: NDArray[np.float64], confidence: float) -> NDArray[np.float64]:
    """`latest_at_confidence` of every column."""
    late = len(latest_s) - rank_at(len(latest_s), confidence)
    return np.asarray(np.partition(latest_s, late, axis=0)[late], dtype=np.float64)


def _never_milder(found: _Shares) -> _Shares:
    """A higher rating's rule is never weaker than a lower one's."""
    return _Shares(np.minimum.accumulate(found.latest_s, axis=0), np.maximum.accumulate(found.share, axis=0))


def _shares(asked: DistrictQuestion, by_rating: Sequence[NDArray[np.float64]], need_s: NDArray[np.float64]) -> _Shares:
    return _never_milder(
        _Shares(
            np.stack([_at_confidence(one, asked.confidence) for one in by_rating]),
            np.stack([_short_shares(asked, one, need_s) for one in by_rating]),
        )
    )


def _ratings(asked: DistrictQuestion, alone: _Shares, queue: _Shares, column: int) -> tuple[AtRating, ...]:
    return tuple(
        AtRating(
            alone_s=float(alone.latest_s[row, column]),
            latest_s=float(queue.latest_s[row, column]),
            share_alone=float(alone.share[row, column]),
            share=float(queue.share[row, column]),
            verdict=verdict_of(float(queue.share[row, column]), told=rating.told, allowed=asked.allowed_share),
        )
        for row, rating in enumerate(asked.ratings)
    )


def _homes(asked: DistrictQuestion, columns: Columns, need_s: NDArray[np.float64]) -> Iterator[HomeTimes]:
    placed, ratings = asked.roads.homes, range(len(asked.ratings))
    for part in _blocks(asked, len(placed.identity)):
        wait_s = asked.queues.most_s[part]
        kept = [np.asarray(columns.latest_s[_of_rating(asked, row), part], dtype=np.float64) for row in ratings]
        alone = _shares(asked, kept, need_s)
        queue = _shares(asked, [roll_by_s(asked.queues, one, part) for one in kept], need_s)
        shuts = np.asarray(columns.shuts[:, part])
        for column, home in enumerate(range(part.start, part.stop)):
            yield HomeTimes(
                identity=placed.identity[home],
                street=asked.streets[int(asked.street_of[home])],
                x_m=float(placed.x_m[home]),
                y_m=float(placed.y_m[home]),
                dwellings=float(placed.dwellings[home]),
                wait_s=float(wait_s[column]),
                shuts_first=street_called(asked.roads.streets, _commonest(shuts[:, column])),
                ratings=_ratings(asked, alone, queue, column),
            )


def _commonest(shuts: NDArray[np.int32]) -> int:
    """The street that most often shuts first; -1 where none ever does. Of equals, the first."""
    street, count = np.unique(shuts[shuts >= 0], return_counts=True)
    return int(street[count.argmax()]) if street.size else -1


def _cut_off(asked: DistrictQuestion, columns: Columns, need_s: NDArray[np.float64]) -> list[CutOff]:
    """The streets at which fire cuts off most people, by their names, each once; fire by fire."""
    count, ratings = asked.roads.streets.street_count, len(asked.ratings)
    people = asked.people_per_home * asked.roads.homes.dwellings
    lost, most = np.zeros((ratings, count)), np.zeros(count)
    for number in range(asked.count):
        shuts = np.asarray(columns.shuts[number])
        left_s = roll_by_s(asked.queues, columns.latest_s[number])
        short = (left_s < need_s[number // ratings]) & (shuts >= 0)
        here = np.bincount(shuts[short], weights=people[short], minlength=count)
        lost[number % ratings] += here
        np.maximum(most, here, out=most)
    groups: dict[str, list[int]] = {}
    for street in np.flatnonzero(most > 0.0).tolist():
        groups.setdefault(street_called(asked.roads.streets, street), []).append(street)
    found = []
    for name, rows in groups.items():
        at = max(rows, key=lambda row: (lost[-1, row], -row))
        middle = shapely.line_interpolate_point(asked.roads.streets.geometry[at], 0.5, normalized=True)
        by_rating = tuple(float(one) / asked.fires for one in lost[:, rows].sum(axis=1))
        found.append(CutOff(name, float(middle.x), float(middle.y), by_rating, float(most[rows].max())))
    return sorted(found, key=lambda one: (tuple(-many for many in reversed(one.people)), one.street))[:PLACES]


def _streets(asked: DistrictQuestion, columns: Columns, need_s: NDArray[np.float64]) -> list[StreetTimes]:
    placed, names = asked.roads.homes, columns.names
    siren_s = needs_s(asked.need, seed=asked.seed, fires=asked.fires, siren_s=asked.help.siren_s)
    order = np.argsort(asked.street_of, kind="stable")
    first = np.append(np.flatnonzero(np.diff(asked.street_of[order], prepend=-1)), order.size)
    made = []
    for number, name in enumerate(asked.streets):
        rows = order[first[number] : first[number + 1]]
        kept = np.asarray(columns.streets_s[:, :, number], dtype=np.float64)
        by_rating = {
            what: [kept[_of_rating(asked, row), at][:, None] for row in range(len(asked.ratings))]
            for at, what in enumerate(names)
        }
        alone, queue = _shares(asked, by_rating["alone"], need_s), _shares(asked, by_rating["queue"], need_s)
        ratings = _ratings(asked, alone, queue, 0)
        told = next((at for at, one in enumerate(ratings) if one.verdict == "evening before"), None)
        at = len(ratings) - 1 if told is None else told
        dwellings = placed.dwellings[rows]
        made.append(
            StreetTimes(
                name=name,
                homes=float(dwellings.sum()),
                people=float(asked.people_per_home * dwellings.sum()),
                x_m=float(np.average(placed.x_m[rows], weights=dwellings)),
                y_m=float(np.average(placed.y_m[rows], weights=dwellings)),
                shuts_first=street_called(asked.roads.streets, _commonest(np.asarray(columns.shuts[:, rows]).ravel())),
                ratings=ratings,
                from_rating=None if told is None else asked.ratings[told].name,
                sentence=verdict_sentence(
                    asked.ratings[at].name,
                    "car",
                    share=ratings[at].share,
                    told=asked.ratings[at].told,
                    where=IN_DISTRICT,
                    inside="" if told is not None else ON_WORD,
                ),
                gains=tuple(_gains(asked, by_rating, need_s, siren_s)),
            )
        )
    return sorted(made, key=lambda one: _first_to_go(one.ratings, one.name))


def _gains(
    asked: DistrictQuestion,
    by_rating: Mapping[str, Sequence[NDArray[np.float64]]],
    need_s: NDArray[np.float64],
    siren_s: NDArray[np.float64],
) -> Iterator[Gain]:
    """What each measure gives, against the street as it is with its queue, on the same fires."""

    def spare_s(what: str, needed_s: NDArray[np.float64]) -> list[float]:
        """Time to spare at the confidence, by rating."""
        return [latest_at_confidence(one[:, 0] - needed_s, asked.confidence) for one in by_rating[what]]

    before = spare_s("queue", need_s)

    def gain(what: Help, column: str, needed_s: NDArray[np.float64], number: int = 0) -> Gain:
        after = spare_s(column, needed_s)
        return Gain(
            what,
            tuple(0.0 if now == then else now - then for now, then in zip(after, before, strict=True)),
            tuple(float(_short_shares(asked, one, needed_s)[0]) for one in by_rating[column]),
            number,
        )

    for column in by_rating:
        if column.startswith("link "):
            yield gain("second exit", column, need_s, int(column.removeprefix("link ")))
    if "verge" in by_rating:
        yield gain("cleared verge", "verge", need_s)
    if asked.help.siren_s > 0.0:
        yield gain("earlier siren", "queue", siren_s)
    if asked.help.bus_share > 0.0:
        yield gain("bus", "bus", need_s)
