"""Whose data the ground is stands wherever OpenStreetMap's notice does: whole on pages and exports, short on maps."""

from __future__ import annotations

import html
import json
from dataclasses import replace
from types import ModuleType

from leaveby.decision.ways.result import HouseholdResult
from leaveby.show.in_python import html_of
from leaveby.show.map_words import caution_words
from leaveby.show.plan.page import report_page
from leaveby.show.plan.record import result_record
from leaveby.show.plan.sheet import sheet_page
from leaveby.show.scene import household_scene

WHOLE = "made from heights of a survey that wants to be named in these very words, (c) 2014-2018"
SHORT = "heights (c) survey"


def test_the_notice_of_other_data_stands_where_that_of_the_map_does(
    result: HouseholdResult, invented: ModuleType
) -> None:
    made = replace(result, network=replace(result.network, credits=((SHORT, WHOLE),)))
    for said in (
        report_page(made, made_at=invented.MADE_AT),
        html_of(made),
        caution_words(made),
        json.dumps(result_record(made, made_at=invented.MADE_AT), ensure_ascii=False),
        " ".join(household_scene(made).notices.values()),
    ):
        assert WHOLE in html.unescape(said)
        assert WHOLE not in html.unescape(sheet_page(result, made_at=invented.MADE_AT))
    page = html.unescape(sheet_page(made, made_at=invented.MADE_AT))
    assert WHOLE not in page
    assert SHORT in page
