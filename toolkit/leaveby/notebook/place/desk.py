"""What the panels of one's own place share: the plan as it stands, what is said of it, and keeping and answering."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from leaveby.ask.household import plan_household
from leaveby.ask.own_place import Checked, OwnPlace, check_place, open_place, save_place, taken_back
from leaveby.decision.fires.scenario import HouseholdInputs
from leaveby.errors import InputError
from leaveby.files.write.outputs import write_result
from leaveby.household.plan_document import number_in
from leaveby.household.plan_places import Place
from leaveby.notebook.leave_early import WORKING, first_words
from leaveby.notebook.widgets import Html, import_lab, panel
from leaveby.show.in_python import STAND_HERE, html_of
from leaveby.show.templates import filled
from leaveby.show.wording import clean


@dataclass(eq=False)
class Desk:
    """A plan that is being changed, and everything on the page that has to hear of it.

    - `read`: what could last be read of the plan's files, for the map; None as long as that has failed.
    - `point`: longitude and latitude that were chosen on the map.
    - `status`, `short`: what the check says, whole and in a line; `said`: how often it was said.
    """

    place: OwnPlace
    checked: Checked
    point: Place | None = None
    read: HouseholdInputs | None = None
    status: Any = field(default_factory=lambda: import_lab().HTML())
    short: Any = field(default_factory=lambda: import_lab().HTML())
    heard: list[Callable[[], None]] = field(default_factory=list)
    said: int = 0

    def put(self, place: OwnPlace, *, done: str = "") -> None:
        """Take a changed plan, check it, and let every panel show it."""
        if place is not self.place:
            self.place, self.checked = place, check_place(place)
            self.read = self.checked.inputs or self.read
        for hear in self.heard:
            hear()
        self.say(done=done)

    @property
    def chosen(self) -> Place:
        """The chosen point; the home where none is chosen, as far as it can be read."""
        home = self.place.section("home")
        lon_deg, lat_deg = number_in(home.get("lon_deg")), number_in(home.get("lat_deg"))
        return self.point or (lon_deg or 0.0, lat_deg or 0.0)

    def choose(self, point: Place) -> None:
        """Choose a point, to about a metre, and let every panel show it."""
        self.point = (round(point[0], 5), round(point[1], 5))
        self.put(self.place)

    def say(self, *, done: str = "", refused: str = "") -> None:
        """Say what stands: faults, or what was found; and what was just done, or could not be."""
        self.said += 1
        told = {"desk": self, "done": done, "refused": clean(refused)}
        self.status.value = _words("status", **told)
        self.short.value = _words("short", **told)

    def change(self, work: Callable[[OwnPlace], OwnPlace], *, done: str = "") -> None:
        """Change the plan; what can't be done is said, and nothing is changed."""
        try:
            made = work(self.place)
        except InputError as error:
            self.say(refused=str(error))
            return
        self.put(made, done=done)

    def undo(self) -> None:
        """Take the last change back."""
        before = taken_back(self.place)
        there_is = before is not self.place
        self.put(before, done="The last change was taken back." if there_is else "There is nothing to take back.")

    def save(self) -> bool:
        """Write the plan, and say where it is; whether that was done."""
        self.change(save_place, done="Saved.")
        return self.place.is_saved

    def listen(self, hear: Callable[[], None]) -> None:
        """Let a panel hear of every change, and show what stands now."""
        self.heard.append(hear)
        hear()


def your_place(plan: str | Path, *, folder: str | Path = "your_place") -> Desk:
    """Open a plan for the panels; of the demo's, a copy in `folder`, which is written when it is saved."""
    place = open_place(plan, folder)
    desk = Desk(place, check_place(place))
    desk.read = desk.checked.inputs
    desk.say()
    return desk


def place_check(desk: Desk) -> Any:
    """Make the panel that says which plan this is, what the check says of it, and has the buttons to keep it."""
    return panel(desk.status, keeping(desk, short=False))


def keeping(desk: Desk, *, short: bool = True) -> Any:
    """Buttons that save and take back, above what the check says in a line."""
    row = buttons(("Save", desk.save), ("Take the last change back", desk.undo))
    return import_lab().VBox([row, desk.short]) if short else row


def buttons(*told: tuple[str, Callable[[], object]]) -> Any:
    """Make a row of buttons, which breaks where the page is narrow."""
    widgets = import_lab()
    made = [widgets.Button(description=label, layout=widgets.Layout(width="auto")) for label, _ in told]
    for one, (_, work) in zip(made, told, strict=True):
        one.on_click(lambda _button, work=work: work())
    return widgets.Box(made, layout=widgets.Layout(flex_flow="row wrap"))


def _words(part: str, **values: Any) -> str:
    return filled("notebook/place/words.html.j2", part=part, **values)


ANSWER_FOLDER: Final = "answer"
"""Beside the plan: where its answer is written."""


def place_answer(desk: Desk) -> Any:
    """Make the panel that saves the plan, answers it, and gives the sheet to print."""
    words = import_lab().HTML()
    import_lab("IPython.display").display(Html(f"<script>{STAND_HERE}</script>"))

    def answer() -> None:
        if not desk.save():
            words.value = filled("notebook/place/words.html.j2", part="no answer", desk=desk)
            return
        words.value = f"<p role='status'>{WORKING}</p>"
        try:
            result = plan_household(desk.place.path, first=lambda few: setattr(words, "value", first_words(few)))
            folder = desk.place.path.parent / ANSWER_FOLDER
            written = write_result(result, folder, made_at=datetime.now().astimezone())
        except InputError as error:
            words.value = str(Markup('<p role="alert"><strong>{}</strong></p>').format(clean(str(error))))
            return
        pages = {name: base64.b64encode(written[name].read_bytes()).decode() for name in ("plan.html", "report.html")}
        links = filled("notebook/place/words.html.j2", part="sheet", pages=pages, folder=folder, desk=desk)
        words.value = html_of(result) + links

    return panel(buttons(("Save, and work out the answer", answer)), words)
