"""A practice run in a plain terminal: a number starts and stops a task, a letter does the rest."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from leaveby.practise.watch import NOTES, Watch, press, state_of
from leaveby.show.templates import sentences

_LETTERS: Final = {"b": "begin", "p": "pause", "g": "go_on", "u": "undo", "e": "end"}


def practise_in_terminal(watch: Watch, *, ask: Callable[[str], str], say: Callable[[str], None]) -> None:
    """Take presses line by line until the run is ended, or `q` or the end of the input leaves it to be gone on with.

    - `ask`: gives a line when called with a prompt, and raises EOFError when there are no more.
    - `say`: called with each line to show.
    """
    while True:
        state = state_of(watch)
        for line in state_lines(state):
            say(line)
        if state["state"] == "ended":
            return
        try:
            typed = ask("> ").strip()
        except EOFError:
            typed = "q"
        if typed == "q":
            for line in sentences("practise/terminal.txt.j2", kind="left", state=state):
                say(line)
            return
        wrong = _press(watch, state, typed)
        if wrong:
            say(wrong)


def state_lines(state: Mapping[str, Any]) -> list[str]:
    """How a run stands, a line for each task, with what can be typed."""
    return sentences("practise/terminal.txt.j2", kind="state", state=state, notes=NOTES)


def _press(watch: Watch, state: Mapping[str, Any], typed: str) -> str:
    if typed in _LETTERS:
        return press(watch, _LETTERS[typed])
    if typed in NOTES:
        return press(watch, "note", note=typed)
    tasks = state["tasks"]
    if not (typed.isascii() and typed.isdigit() and 1 <= int(typed) <= len(tasks)):
        return press(watch, "start", task=typed)
    task = tasks[int(typed) - 1]
    return press(watch, "stop" if task["state"] == "going" else "start", task=task["name"], who=task["who"])
