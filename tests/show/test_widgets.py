from __future__ import annotations

import re
import sys
from dataclasses import replace

import numpy as np
import pytest

from leaveby.ask.household import load_plan, plan_household
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
from leaveby.show.wording import WAY_TITLES, clock_words


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


def test_what_cannot_be_answered_is_said_under_the_banner_and_the_rest_stays():
    asked = widgets.float_sliders((Slider("wind_factor", "Wind over forecast", 0.5, 2.0, 0.1, 1.0),))["wind_factor"]
    words = widgets.import_lab().HTML()

    def answer():
        if asked.value > 1.5:
            raise refuse("the <wind>", "is too strong", expected="less", mend="move it back")
        words.value = f"wind {asked.value:g}"

    answer()
    banner = (made := widgets.panel(asked, words)).children[0]
    widgets.answering(made, (asked,), answer)
    before = banner.value, words.value
    asked.value = 2.0
    assert "the &lt;wind&gt;: is too strong" in banner.value
    assert OVERRIDE in banner.value
    assert words.value == before[1]
    asked.value = 1.5
    assert (banner.value, words.value) == (before[0], "wind 1.5")
    asked.value = 1.0
    assert (banner.value, words.value) == before


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
    assert "Not clear in 1 of 100 such days." in table
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


@pytest.fixture(scope="module")
def answered(small_plan, once):
    """A small answer by a design of fires, and the same with fires of their own."""
    return plan_household(small_plan, members=1000), once(plan_household, load_plan(small_plan))


def by_label(panel):
    return {one.description: one for one in panel.children if getattr(one, "description", "")}


def by_clocks(words):
    """The clock times at which to start, and how nearly they are known, way by way."""
    return re.findall(r"<td>(\d\d:\d\d)[^<]*</td><td>[^<]*</td><td>([^<]*)</td>", words)


def test_the_panel_moves_wind_weather_tasks_and_road_without_any_new_fire(answered, nothing_more_is_solved):
    found, _ = answered
    nothing_more_is_solved()
    panel = leave_early_panel(found)
    controls, words = by_label(panel), panel.children[-2]
    assert OVERRIDE in panel.children[0].value
    assert "as far as the fires reach that were solved" in panel.children[-3].value
    wind, later = controls["Wind, times the forecast"], controls["Weather later (minutes)"]
    middle = words.value
    assert len(by_clocks(middle)) == 2
    for way, (clock, near) in zip(("tow", "car"), by_clocks(middle), strict=True):
        assert clock == clock_words(found, found.ways[way].latest_start_s)
        half_min = np.ceil((found.ways[way].precision.high_s - found.ways[way].precision.low_s) / 120.0)
        assert near == f"known to within {half_min:.0f} min either way"
    moves = ((wind, wind.max), (later, later.min), (controls["That takes times as long"], 1.5))
    for slider, to in moves:
        before = slider.value
        slider.value = to
        assert words.value != middle
        assert "alert" not in panel.children[0].value
        slider.value = before
        assert words.value == middle
    controls["Task"].value = found.plan.tasks[0].name
    assert words.value == middle
    assert "Road" not in controls  # fire may come to where every other road ends


def test_another_road_can_be_taken_where_the_fire_spares_its_end(answered):
    found, _ = answered
    timed = found.held.timed
    unburnt = replace(found.held, timed=replace(timed, burnt_share=dict.fromkeys(timed.burnt_share, 0.0)))
    panel = leave_early_panel(replace(found, held=unburnt))
    road, words = by_label(panel)["Road"], panel.children[-2]
    assert (road.options[0], road.label) == (("as planned", ()), "as planned")
    told = {words.value}
    for label, (way, candidate) in road.options[1:]:
        assert label.startswith(f"{WAY_TITLES[way]}: {candidate.safe_point}, ")
        road.value = (way, candidate)
        told.add(words.value)
    assert len(told) > 1


def test_asking_for_more_narrows_what_can_be_moved(answered):
    """The members that a higher confidence hangs on lie farther out, nearer the last of the solved fires."""
    controls = by_label(leave_early_panel(answered[0]))
    wind, sure = controls["Wind, times the forecast"], controls["How sure you want to be"]
    wind.value = widest = wind.max
    sure.value = 0.99
    assert 1.0 < wind.max < widest
    assert wind.value == wind.max
    sure.value = 0.5
    assert wind.max > widest


def test_with_fires_of_their_own_the_panel_says_why_the_fire_stays(answered):
    _, own = answered
    panel = leave_early_panel(own)
    controls, words = by_label(panel), panel.children[-2]
    assert not {"Wind, times the forecast", "Weather later (minutes)"} & set(controls)
    assert (
        f"can't be moved here: each of the {own.members} members has a fire of its own, so other fires would have to "
        "be solved."
    ) in panel.children[-3].value
    before = words.value
    controls["That takes times as long"].value = 2.0
    assert words.value != before
