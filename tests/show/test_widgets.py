from __future__ import annotations

import re
import sys
from dataclasses import replace

import numpy as np
import pytest

from leaveby.caution import OVERRIDE
from leaveby.confidence import latest_at_confidence
from leaveby.errors import InputError, refuse
from leaveby.notebook import widgets
from leaveby.notebook.leave_early import (
    leave_early_panel,
    shown_timetable,
    start_moments,
    start_table,
    usable_confidences,
)
from leaveby.notebook.widgets import Slider, override_banner
from leaveby.show.wording import clock_words


def parts(panel):
    banner, sure, begin, *asked, words, picture = panel.children
    return banner, sure, begin, asked, words, picture


def test_the_banner_is_the_override_statement():
    assert OVERRIDE in override_banner()._repr_html_()


def test_the_panel_begins_with_the_banner_and_the_plans_confidence(result):
    banner, sure, begin, asked, words, picture = parts(leave_early_panel(result))
    assert OVERRIDE in banner.value
    assert sure.value == result.plan.confidence
    assert begin.value == 0.0
    assert asked == []
    assert clock_words(result, result.ways["tow"].latest_start_s) in words.value
    assert "<svg" in picture.value


def test_moving_the_sliders_changes_the_answer(result):
    _, sure, begin, _, words, picture = parts(leave_early_panel(result))
    before = words.value, picture.value
    sure.value = 0.5
    assert words.value != before[0]
    for name in result.ways:
        latest_s = latest_at_confidence(result.ways[name].member_latest_start_s, 0.5)
        assert clock_words(result, latest_s) in words.value
    begin.value = 3600.0 * 2 + 300.0
    assert "If you start at 14:45" in words.value
    assert picture.value != before[1]


def test_further_sliders_ask_for_a_new_answer(result):
    asked_for = []

    def answer(values):
        asked_for.append(dict(values))
        return replace(result, ways={"car": result.ways["car"]})

    slider = Slider("wind_factor", "Wind over forecast", 0.5, 2.0, 0.1, 1.0)
    _, _, _, asked, words, _ = parts(leave_early_panel(result, sliders=(slider,), answer=answer))
    assert "Towing the house" in words.value
    asked[0].value = 1.5
    assert asked_for == [{"wind_factor": 1.5}]
    assert "Towing the house" not in words.value


def test_what_cannot_be_answered_is_said_under_the_banner_and_the_rest_stays(result):
    def answer(values):
        if values["wind_factor"] > 1.5:
            raise refuse("the <wind>", "is too strong", expected="less", mend="move it back")
        return result

    slider = Slider("wind_factor", "Wind over forecast", 0.5, 2.0, 0.1, 1.0)
    banner, _, _, asked, words, _ = parts(leave_early_panel(result, sliders=(slider,), answer=answer))
    before = banner.value, words.value
    asked[0].value = 2.0
    assert "the &lt;wind&gt;: is too strong" in banner.value
    assert OVERRIDE in banner.value
    assert words.value == before[1]
    asked[0].value = 1.0
    assert (banner.value, words.value) == before


def test_sliders_without_a_function_are_refused(result):
    with pytest.raises(InputError, match="answer"):
        leave_early_panel(result, sliders=(Slider("a", "b", 0.0, 1.0, 0.1, 0.5),))


def test_without_the_notebook_libraries_one_is_told_how_to_get_them(result, monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(InputError, match=r"leaveby\[lab\]"):
        leave_early_panel(result)


def test_importing_the_module_does_not_need_the_notebook_libraries():
    assert not hasattr(widgets, "ipywidgets")


def test_what_becomes_of_a_start_is_counted_on_the_members_and_rounded_up(result):
    car = result.ways["car"]
    at_s = float(car.member_latest_start_s[3])
    table = start_table(replace(result, ways={"car": car}), confidence=0.95, start_at_s=at_s)
    # 3 of 500 members can't meet the moment: 0.6 of 100, told as 1.
    assert "Not clear in 1 of 100 runs." in table
    assert "you have" not in table
    none = start_table(replace(result, ways={"car": car}), confidence=0.95, start_at_s=-1e6)
    assert "no promise" in none


def test_a_way_without_a_route_says_why_as_text(result):
    lost = replace(result.ways["tow"], route=None, why="<b>Too high</b> for every way.")
    table = start_table(replace(result, ways={"tow": lost}), confidence=0.95, start_at_s=0.0)
    assert "&lt;b&gt;Too high&lt;/b&gt; for every way." in table
    assert "No way out." in table


def test_moments_stand_on_quarter_hours_and_hold_the_start(result):
    moments = start_moments(result)
    assert 0.0 in moments
    assert list(moments) == sorted(moments)
    # 12:40 is the scenario's start: quarter hours lie 5 minutes after multiples of 15 minutes from it.
    assert all((at_s - 300.0) % 900.0 == 0.0 for at_s in moments if at_s != 0.0)


def test_no_more_is_offered_than_the_members_can_carry(result):
    assert usable_confidences(result)[-1] == 0.99
    few = replace(result, members=20)
    assert usable_confidences(few)[-1] == 0.95
    assert usable_confidences(replace(result, members=1)) == (0.5,)


def test_the_panel_never_names_another_leave_by_than_the_answer(result):
    """At the asked confidence it is the answer's own number, however that was found; asking for more is never later."""
    early = replace(result.ways["car"], latest_start_s=result.ways["car"].latest_start_s - 1200.0)
    changed = replace(result, ways={"car": early})
    told = {level: start_table(changed, confidence=level, start_at_s=0.0) for level in (0.5, 0.9, 0.95, 0.98, 0.99)}
    clocks = {level: re.findall(r"<td>(\d\d:\d\d)", table)[0] for level, table in told.items()}
    assert clocks[0.95] == clock_words(result, early.latest_start_s)
    assert [clocks[level] for level in sorted(clocks)] == sorted(clocks.values(), reverse=True)


def test_endless_members_can_be_shown(result):
    endless = np.full(500, np.inf)
    never = replace(
        result.ways["car"],
        member_latest_start_s=endless,
        member_latest_departure_s=endless,
        latest_start_s=None,
    )
    changed = replace(result, ways={"car": never})
    assert "leave early" in start_table(changed, confidence=0.95, start_at_s=0.0)
    assert 0.0 in start_moments(changed)


def test_figures_are_shown_with_their_text_alternative(result):
    text = shown_timetable(result)._repr_html_()
    assert "<svg" in text
    assert "<desc" in text
