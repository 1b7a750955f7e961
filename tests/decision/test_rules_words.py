"""What a rule says, word for word, in every order of its cases. Retyped here from the cases by hand, not computed."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import shapely

from leaveby.decision.rules.words import RULE_ASSUMPTIONS, rule_sentence, share_words, way_out_sentence
from leaveby.decision.ways.result import HourShare, Rule, TriggerLine, Verdict
from leaveby.household.plan_tables import Way

LINE = TriggerLine("car", 0.95, 1800.0, shapely.MultiPolygon(), ())
NOTHING = np.zeros((1, 1), dtype=bool)
BEFORE, WORD = "evening before", "on word of fire"


def a_rule(
    share: float,
    verdict: Verdict,
    *,
    rating: str = "High",
    way: Way = "car",
    told: bool = False,
    beyond: bool = False,
    hours: tuple[HourShare, ...] = (),
) -> Rule:
    return Rule(
        rating=rating,
        way=way,
        verdict=verdict,
        told=told,
        share=share,
        hours=hours or (HourShare(10, 34, share, verdict),),
        go=LINE,
        late=LINE,
        go_cells=NOTHING,
        late_cells=NOTHING,
        equal_cells=NOTHING[None],
        lead_s=np.zeros((1, 1)),
        landmarks=(),
        beyond=beyond,
        ways_out=(),
        sentence="",
    )


DOES = {
    "tow": ("the house goes", "to tow the house away"),
    "car": ("go by car", "to drive away"),
    "foot": ("go on foot", "to walk away"),
}
DAYS = {
    "High": "On a day rated High",
    "a day like the plan's": "On a day like the plan's",
    "a day off": "On a day rated a day off",
}
COUNTS = {0.0: "fewer than 1", 0.004: "1", 0.01: "1", 0.011: "2", 0.5: "50", 1.0: "all"}
ENDS = {
    False: "",
    True: " The line runs off the ground that was looked at: there, fire at any distance counts as inside it.",
}


@pytest.mark.parametrize(
    ("rating", "way", "share", "beyond"), list(product(DAYS, ("tow", "car", "foot"), COUNTS, (False, True)))
)
def test_every_order_of_the_cases(rating: str, way: Way, share: float, beyond: bool) -> None:
    does, time_to = DOES[way]
    chance = f"of 100 fires that start within 25 km on such a day, {COUNTS[share]} may leave too little time {time_to}."
    said = {
        (WORD, False): f"{DAYS[rating]}, {does} on word of fire inside the line. Even so, {chance}",
        (BEFORE, False): f"{DAYS[rating]}, {does} the evening before. Whoever waits for word of fire takes a chance: "
        f"{chance}",
        (BEFORE, True): f"{DAYS[rating]}, {does} the evening before, since the rating itself tells people to leave. "
        f"Whoever waits for word of fire takes a chance: {chance}",
    }
    for (verdict, told), sentence in said.items():
        rule = a_rule(share, verdict, rating=rating, way=way, told=told, beyond=beyond)
        assert rule_sentence(rule, radius_m=25_000.0) == sentence + ENDS[beyond]


def test_a_whole_sentence_as_it_is_read() -> None:
    assert rule_sentence(a_rule(0.031, WORD, way="tow"), radius_m=12_500.0) == (
        "On a day rated High, the house goes on word of fire inside the line. Even so, of 100 fires that start within "
        "12.5 km on such a day, 4 may leave too little time to tow the house away."
    )


FEWER = [
    (
        (0.2, 0.03),
        " At some hours it is fewer (3 from 19:00 to 10:00), but nobody knows the evening before when a fire starts.",
    ),
    ((0.2, 0.2), ""),
    (
        (0.0, 0.2),
        " At some hours it is fewer (fewer than 1 from 10:00 to 19:00), but nobody knows the evening before "
        "when a fire starts.",
    ),
]


@pytest.mark.parametrize(("shares", "added"), FEWER)
@pytest.mark.parametrize("beyond", [False, True])
def test_hours_that_differ_are_named(shares: tuple[float, float], added: str, beyond: bool) -> None:
    spans = ((10, 19), (19, 34))
    hours = tuple(
        HourShare(span[0], span[1], share, BEFORE if share > 0.05 else WORD)
        for span, share in zip(spans, shares, strict=True)
    )
    rule = a_rule(max(shares), BEFORE, hours=hours, beyond=beyond)
    assert rule_sentence(rule, radius_m=25_000.0) == (
        "On a day rated High, go by car the evening before. Whoever waits for word of fire takes a chance: of 100 "
        "fires that start within 25 km on such a day, 20 may leave too little time to drive away."
        + added
        + ENDS[beyond]
    )


def test_several_hours_are_named_in_their_order() -> None:
    hours = (HourShare(10, 13, 0.02, WORD), HourShare(13, 19, 0.4, BEFORE), HourShare(19, 34, 0.0, WORD))
    assert rule_sentence(a_rule(0.4, BEFORE, hours=hours), radius_m=25_000.0).endswith(
        " At some hours it is fewer (2 from 10:00 to 13:00, fewer than 1 from 19:00 to 10:00), but nobody knows the "
        "evening before when a fire starts."
    )


def test_no_hour_is_named_where_the_rating_tells_people_to_leave() -> None:
    hours = (HourShare(10, 19, 0.4, BEFORE), HourShare(19, 34, 0.0, BEFORE))
    assert "hours" not in rule_sentence(a_rule(0.4, BEFORE, told=True, hours=hours), radius_m=25_000.0)


@pytest.mark.parametrize(
    ("safe_points", "way", "said"),
    [
        (("A",), "tow", "Fire here: with the house, the way to A leaves most time."),
        (("A",), "car", "Fire here: by car, without the house, the way to A leaves most time."),
        (("A", "B"), "foot", "Fire here: on foot, the ways to A and B leave the same time within a minute."),
        (
            ("A", "B", "C"),
            "tow",
            "Fire here: with the house, the ways to A, B and C leave the same time within a minute.",
        ),
    ],
)
def test_which_way_out(safe_points: tuple[str, ...], way: str, said: str) -> None:
    assert way_out_sentence(safe_points, way) == said


def test_shares_are_rounded_up_and_never_nothing() -> None:
    assert [share_words(one / 1000.0) for one in (0, 1, 10, 11, 990, 991, 1000)] == [
        "fewer than 1",
        "1",
        "1",
        "2",
        "99",
        "all",
        "all",
    ]


def test_nothing_says_that_waiting_is_safe() -> None:
    shares = (0.0, 0.01, 0.5, 1.0)
    said = [
        rule_sentence(a_rule(share, verdict, way=way), radius_m=25_000.0)
        for share, verdict, way in product(shares, (BEFORE, WORD), ("tow", "car", "foot"))
    ]
    for line in (*said, *RULE_ASSUMPTIONS):
        assert " safe " not in line.replace("safe point", "")
        assert "no fire" not in line
        assert "none" not in line
    assert all("of 100 fires" in line for line in said)
