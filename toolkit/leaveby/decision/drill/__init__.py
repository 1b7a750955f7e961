"""The trainer's question."""

from leaveby.decision.drill.rounds import (
    answer_drill,
    pause_moments,
    place_answer,
    shut_by,
    speed_words,
)

__all__ = [
    "answer_drill",
    "pause_moments",
    "place_answer",
    "shut_by",
    "speed_words",
]
