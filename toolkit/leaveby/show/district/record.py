"""A district's answer as plain data: what stands in `district.json` and `district.csv`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
from pyproj import Transformer

from leaveby.decision.district.result import AtRating, CutOff, DistrictSurvey, Gain, HomeTimes, StreetTimes
from leaveby.show.district.words import district_sentences, from_words, link_words
from leaveby.show.record import record_head, share_up
from leaveby.show.wording import clean, map_notice, minutes_down, minutes_up

VERSION = 1


def district_record(survey: DistrictSurvey, *, made_at: datetime) -> dict[str, Any]:
    """Lay out an answer as plain data, fit for JSON; refuses a `made_at` without UTC offset."""
    asked = survey.question
    to_deg = Transformer.from_crs(asked.roads.streets.crs, "EPSG:4326", always_xy=True)
    return {
        **record_head(made_at, notice=map_notice(survey), record_version=VERSION),
        "district": clean(asked.name),
        "says": district_sentences(survey),
        "confidence": asked.confidence,
        "allowed_share": asked.allowed_share,
        "fires": asked.count,
        "hours": list(asked.hours),
        "set_out": asked.setting_out.how,
        "share_known_within": share_up(survey.error),
        "ratings": [{"name": one.name, "tells_people_to_leave": one.told} for one in asked.ratings],
        "second_exits": [
            {"number": number + 1, "kind": link.kind, "words": link_words(survey, number, survey.measures)}
            for number, link in enumerate(asked.help.links)
        ],
        "homes": [
            {**row, "ratings": _by_rating(survey, one.ratings)}
            for row, one in zip(home_rows(survey), survey.homes, strict=True)
        ],
        "streets": [_street(survey, one, to_deg) for one in survey.streets],
        "cut_off": [_cut_off(survey, one, to_deg) for one in survey.cut_off],
        "homes_left_out": asked.left_out,
        "no_way_out": [clean(name, 80) for name in asked.no_way_out],
        "assumptions": [clean(line) for line in asked.assumptions],
        "inputs": dict(asked.inputs),
    }


def _by_rating(survey: DistrictSurvey, ratings: Sequence[AtRating]) -> list[dict[str, Any]]:
    return [
        {
            "rating": asked.name,
            "latest_departure_min": minutes_down(one.latest_s),
            "latest_departure_alone_min": minutes_down(one.alone_s),
            "share_with_too_little_time": share_up(one.share),
            "share_with_too_little_time_alone": share_up(one.share_alone),
            "verdict": one.verdict,
        }
        for asked, one in zip(survey.question.ratings, ratings, strict=True)
    ]


def home_rows(survey: DistrictSurvey) -> list[dict[str, Any]]:
    """One flat row for each home, in the order in which they have to go."""
    to_deg = Transformer.from_crs(survey.question.roads.streets.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_deg.transform([one.x_m for one in survey.homes], [one.y_m for one in survey.homes])
    return [
        {
            "order": number,
            "home": clean(one.identity, 120),
            "street": clean(one.street, 120),
            "lon_deg": round(float(x), 6),
            "lat_deg": round(float(y), 6),
            "dwellings": one.dwellings,
            "evening_before": from_words(survey, one.ratings),
            "queue_min": minutes_up(one.wait_s),
            "shuts_first": clean(one.shuts_first, 120) or None,
        }
        for number, (one, x, y) in enumerate(zip(survey.homes, lon, lat, strict=True), start=1)
    ]


def flat_rows(survey: DistrictSurvey) -> list[dict[str, Any]]:
    """The rows of `home_rows` with a column for each rating: by when to roll, and the share with too little time."""
    return [row | _flat(survey, one) for row, one in zip(home_rows(survey), survey.homes, strict=True)]


def _flat(survey: DistrictSurvey, home: HomeTimes) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for asked, one in zip(survey.question.ratings, home.ratings, strict=True):
        found[f"roll_by_min: {clean(asked.name)}"] = minutes_down(one.latest_s)
        found[f"share_with_too_little_time: {clean(asked.name)}"] = share_up(one.share)
    return found


def _street(survey: DistrictSurvey, one: StreetTimes, to_deg: Transformer) -> dict[str, Any]:
    return {
        "street": clean(one.name, 120),
        **_place(one.x_m, one.y_m, to_deg),
        "homes": one.homes,
        "people": one.people,
        "evening_before": from_words(survey, one.ratings),
        "evening_before_from": one.from_rating,
        "sentence": clean(one.sentence),
        "shuts_first": clean(one.shuts_first, 120) or None,
        "ratings": _by_rating(survey, one.ratings),
        "gains": [_gain(survey, gain) for gain in one.gains],
    }


def _gain(survey: DistrictSurvey, gain: Gain) -> dict[str, Any]:
    return {
        "what": gain.what,
        "second_exit": gain.number + 1 if gain.what == "second exit" else None,
        "ratings": [
            {
                "rating": asked.name,
                # without end: with it fire shuts no way at all at the confidence
                "gain_min": minutes_down(gain_s),
                "no_longer_shut": math.isinf(gain_s),
                "share_with_too_little_time": share_up(share),
            }
            for asked, gain_s, share in zip(survey.question.ratings, gain.gain_s, gain.share, strict=True)
        ],
    }


def _cut_off(survey: DistrictSurvey, one: CutOff, to_deg: Transformer) -> dict[str, Any]:
    return {
        "street": clean(one.street, 120),
        **_place(one.x_m, one.y_m, to_deg),
        "people_on_average": {
            asked.name: round(many, 2) for asked, many in zip(survey.question.ratings, one.people, strict=True)
        },
        "people_at_most": math.ceil(one.most),
    }


def _place(x_m: float, y_m: float, to_deg: Transformer) -> dict[str, float]:
    lon, lat = to_deg.transform(np.array([x_m]), np.array([y_m]))
    return {"lon_deg": round(float(lon[0]), 6), "lat_deg": round(float(lat[0]), 6)}
