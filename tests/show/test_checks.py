"""What the notebook of checks shows: it agrees where it should, and says so loudly where it does not."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
from scipy.stats import betabinom

from leaveby.decision.household.replay import Replay, most_caught
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import InputError
from leaveby.fire.spread.ellipse import eccentricity
from leaveby.notebook.checks import checked_equations, checked_exits, checks_table, ellipse_panel
from leaveby.show.figure import OVERRIDE_LINE, as_svg
from leaveby.verify import exact_shapes
from leaveby.verify.checks import BY_HAND, PLAIN_MATHEMATICS, Check, agreement_words
from leaveby.verify.exact_shapes import (
    HEAD_M_S,
    WIND_HISTORIES,
    describe_ellipse,
    ellipse_check,
    ellipse_checks,
    ellipse_figure,
    history_check,
    history_checks,
    wind_for_ratio,
)
from leaveby.verify.exit_check import exit_checks, homes_by_networkx, homes_here
from leaveby.verify.hand_example import hand_example, hand_example_checks
from leaveby.verify.published import (
    MARKS,
    equation_checks,
    marks_in_words,
    published_rows,
    published_values,
    value_checks,
)
from leaveby.verify.replay_figure import promises, replay_figure, replay_words


class Cells(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_data(self, data: str) -> None:
        if self.rows and self.rows[-1]:
            self.rows[-1][-1] += data


def cells(html: str) -> list[list[str]]:
    parser = Cells()
    parser.feed(html)
    return parser.rows


# --- the table -----------------------------------------------------------------------------------------------------


def test_every_row_says_where_its_outside_value_comes_from_and_how_it_was_obtained() -> None:
    rows = (*value_checks(published_values()), *ellipse_checks(directions=1), *exit_checks())
    shown = cells(checks_table(rows))
    assert shown[0][-2:] == ["Where the outside value comes from", "How it was obtained"]
    assert len(shown) == len(rows) + 1
    assert all(len(row) == 7 and all(row) for row in shown)
    assert {row[4] for row in shown[1:]} == {"yes"}
    assert "<li>11 of 11 agree.</li>" in checked_exits().text
    assert "<li>157 of 157 values agree within" in checked_equations().text


def test_text_is_escaped_and_disagreement_is_loud() -> None:
    row = Check("<b>2 + 2", "5", "4", "1, may be 0", False, "<i>arithmetic", BY_HAND)
    html = checks_table([row], opens_on="<u>All")
    assert "<b>" not in html
    assert "<i>" not in html
    assert "<u>" not in html
    assert cells(html)[1][4] == "NO"
    assert "NOT: <b>2 + 2" in agreement_words([row])


# --- published values ----------------------------------------------------------------------------------------------


def test_published_values_ship_once_and_with_their_marks() -> None:
    assert files("leaveby.verify").joinpath("published_values.csv").is_file()
    values = published_values()
    assert len(values) == len(published_rows()) >= 90
    assert {value.mark for value in values} <= set(MARKS)
    for value, row in zip(values, published_rows(), strict=True):
        assert (value.expected, value.tolerance) == (float(row["expected"]), float(row["tolerance"]))
        assert value.agrees == (abs(value.got - value.expected) <= value.tolerance)


def test_one_row_for_each_equation_shows_its_worst_value() -> None:
    values = published_values()
    rows = equation_checks(values)
    assert len(rows) == len({value.equation for value in values})
    wrong = replace(values[3], got=values[3].expected + 2.0 * values[3].tolerance)
    changed = (*values[:3], wrong, *values[4:])
    shown = next(row for row in equation_checks(changed) if row.what.startswith(values[3].title))
    assert not shown.agrees
    assert f"{wrong.got:.5g}" in shown.ours
    assert marks_in_words(changed)[0].startswith(f"{len(values) - 1} of {len(values)} values agree")
    assert not replace(values[0], got=float("nan")).agrees


def test_a_value_from_a_remembered_equation_is_never_called_read() -> None:
    for value, row in zip(published_values(), value_checks(published_values()), strict=True):
        assert row.mark == value.mark
    remembered = next(line for line in marks_in_words(published_values()) if "remembered equation" in line)
    assert "shows only that the code does what was remembered" in remembered


# --- exact shapes --------------------------------------------------------------------------------------------------


def test_the_ellipse_s_own_properties() -> None:
    """Plain mathematics: on the axis ahead fire takes distance / head rate, behind (1 + e)/(1 - e) times as long, and
    the length of the ellipse is its breadth times the ratio."""
    for ratio in (1.0, 2.0, 6.0):
        check = ellipse_check(ratio, towards_deg=0.0)
        grid = check.arrival.grid
        e = float(eccentricity(ratio))
        y = int(np.argmin(np.abs(check.exact_s).min(axis=1)))
        x0 = 0.5 * grid.cols * grid.cell_m - 20.0
        ahead, behind = check.exact_s[y, 180], check.exact_s[y, 20]
        assert ahead == pytest.approx(((180.5) * grid.cell_m - x0) / HEAD_M_S, rel=2e-3)
        assert behind == pytest.approx((x0 - 20.5 * grid.cell_m) / HEAD_M_S * (1 + e) / (1 - e), rel=2e-3)
        assert wind_for_ratio(ratio) >= 0.0
    # One over the square root of one less the square of the eccentricity is the ratio of the axes.
    assert 1.0 / np.sqrt(1.0 - float(eccentricity(3.0)) ** 2) == pytest.approx(3.0)
    with pytest.raises(InputError, match="length to breadth"):
        wind_for_ratio(7.0)


def test_arrival_keeps_to_the_exact_shapes() -> None:
    rows = (*ellipse_checks(directions=2), *history_checks())
    assert len(rows) == 6 + len(WIND_HISTORIES)
    assert all(row.agrees for row in rows), agreement_words(rows)
    assert {row.mark for row in rows} == {PLAIN_MATHEMATICS}


def test_a_solver_that_is_five_per_cent_late_would_show(monkeypatch: pytest.MonkeyPatch) -> None:
    true_arrive = exact_shapes.arrive

    def late(*args: Any, **more: Any) -> Any:
        arrival = true_arrive(*args, **more)
        return replace(arrival, time_s=arrival.time_s * 1.05)

    monkeypatch.setattr(exact_shapes, "arrive", late)
    assert ellipse_check(2.0).worst == pytest.approx(0.05, abs=1e-3)
    assert not any(row.agrees for row in ellipse_checks(directions=1))
    assert not history_checks()[1].agrees


def test_the_support_function_in_steady_wind_is_the_ellipse() -> None:
    name = "a sudden change, 90 degrees after an hour and a half"
    check = history_check(name, sample=200)
    early = check.compared & (check.exact_s < 5400.0)
    assert early.sum() > 20
    time_s, head, wind_km_h, _ = WIND_HISTORIES[name].values()
    assert time_s[1] == 5400.0
    e = float(eccentricity(exact_shapes.length_to_breadth(wind_km_h[0])))
    grid = check.arrival.grid
    x_m, y_m = exact_shapes._offsets(grid, np.array([0.3, 0.7]) * grid.cols * grid.cell_m)
    ellipse_s = (np.hypot(x_m, y_m) - e * x_m) / (head[0] * (1.0 - e))
    assert np.allclose(check.exact_s[early], ellipse_s[early], rtol=1e-3)


def test_the_panel_solves_anew() -> None:
    panel = ellipse_panel()
    ratio, _, words, picture = panel.children[1:5]
    before = picture.value
    assert "3 times as long" in words.value
    ratio.value = 5.0
    assert "5 times as long" in words.value
    assert picture.value != before
    check = ellipse_check(5.0)
    assert OVERRIDE_LINE in as_svg(ellipse_figure(check), "A", describe_ellipse(check, 5.0))


# --- the hand-worked example ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def example() -> HouseholdResult:
    return hand_example(workers=2)


def test_every_step_of_the_hand_worked_example(example: HouseholdResult) -> None:
    """The numbers of about/hand_example.md, retyped here from its text and not from the module."""
    rows = hand_example_checks(example)
    assert all(row.agrees for row in rows), agreement_words(rows)
    told = {row.what: row.outside for row in rows}
    assert told["The drive"] == "600.0 s"
    assert [told[f"{name} shuts after"] for name in ("Home Lane", "Ford Road", "Hill Road", "Town Road")] == [
        "6,460.5 s",
        "5,445.9 s",
        "5,400.0 s",
        "5,801.7 s",
    ]
    assert told["Ready after"] == "1,200.0 s"
    assert told["Latest departure"] == "4,136.2 s"
    assert told["Latest start"] == "2,936.2 s"
    assert told["Clear when starting at 12:50"] == "66.7 %"
    assert told["Getting ready and driving, 95 % of the days"] == "2,085.0 s"
    assert told["Fire at the home"] == "9,027.3 s"
    assert told["Too late with fire this far north of Hill Road"] == "3,164 m"
    assert told["Go with word of fire this far north of Hill Road"] == "3,764 m"
    assert len(rows) == 15


def test_an_answer_that_is_wrong_shows_in_its_step(example: HouseholdResult) -> None:
    car = example.ways["car"]
    assert car.latest_start_s is not None
    late = replace(example, ways={"car": replace(car, latest_start_s=car.latest_start_s + 60.0)})
    assert [row.what for row in hand_example_checks(late) if not row.agrees] == ["Latest start"]
    later = replace(example, closing_s=example.closing_s + 1.0)
    assert sum(not row.agrees for row in hand_example_checks(later)) == 1  # Hill Road, which came out exact
    with pytest.raises(InputError, match="no way by car"):
        hand_example_checks(replace(example, ways={}))


# --- single exits --------------------------------------------------------------------------------------------------


def test_homes_counted_by_hand() -> None:
    """By hand: all 56 pass Mill Road; Spur Road carries 4 + 7 + 2 + 9 + 1; Quarry Road the 11 of Pump Lane."""
    by_hand = {"Mill Road": 56.0, "Spur Road": 23.0, "Goat Track": 1.0, "Quarry Road": 11.0, "Pump Lane": 11.0}
    assert homes_by_networkx() == homes_here()
    assert {name: homes for name, homes in homes_here().items() if homes} == by_hand
    assert all(row.agrees and "networkx" in row.mark for row in exit_checks())


# --- the replay ----------------------------------------------------------------------------------------------------


def replays(result: HouseholdResult, within: int) -> dict[str, Replay]:
    car = result.ways["car"]
    rank = int(np.searchsorted(car.member_latest_start_s, car.latest_start_s, side="left")) + 1  # type: ignore[arg-type]
    allowed = most_caught(200, members=500, rank=rank)
    return {
        "car": Replay("car", car.latest_start_s, "", 200, min(3, within), within, allowed),
        "foot": Replay("foot", None, "No path <b>is mapped.", 0, 0, 0, 0),
    }


def test_the_band_is_that_of_the_beta_binomial(result: HouseholdResult) -> None:
    """Source: scipy's beta-binomial distribution for the rank of the leave-by among its members."""
    (made,) = promises(replays(result, 9), result, rng=np.random.default_rng(1))
    rank = 26
    for share, level in ((made.low, 0.05), (made.high, 0.95)):
        assert share * 200 == pytest.approx(betabinom.ppf(level, 200, rank, 501 - rank), abs=1.0)
    assert made.most == most_caught(200, members=500, rank=rank) / 200
    assert made.promised == pytest.approx(0.05)
    assert made.low < made.promised < made.high < made.most


def test_what_is_kept_and_what_is_not_is_said(result: HouseholdResult) -> None:
    good = replays(result, 9)
    made = promises(good, result, rng=np.random.default_rng(1))
    words = replay_words(good, made)
    assert "not kept in 9 of 200 fires drawn anew (4.5 %)" in words[0]
    assert "no more than chance explains." in words[0]
    assert "So few fires" not in words[0]
    few = {"car": replace(good["car"], truths=24, within_margin=1)}
    assert "So few fires can't tell much" in replay_words(few, promises(few, result, rng=np.random.default_rng(1)))[0]
    assert words[1] == "On foot: not replayed. No path <b>is mapped."
    assert "not that the models are right" in words[-1]
    bad = replays(result, 60)
    said = replay_words(bad, promises(bad, result, rng=np.random.default_rng(1)))
    assert "MORE THAN CHANCE EXPLAINS" in said[0]
    svg = as_svg(replay_figure(made), "Replay", " ".join(words))
    assert OVERRIDE_LINE in svg
    assert "&lt;b&gt;is mapped" in svg
    assert "nine of ten replays" in svg


def test_nothing_to_follow_makes_an_empty_figure(result: HouseholdResult) -> None:
    only = {"foot": replays(result, 0)["foot"]}
    made = promises(only, result, rng=np.random.default_rng(1))
    assert made == ()
    assert "No way of leaving has a time to follow" in as_svg(replay_figure(made), "Replay", "none")
