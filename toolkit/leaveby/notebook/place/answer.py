"""The answer to the plan as it stands: saved, first from few fires, then from all, with the sheet for the fridge."""

import base64
from datetime import datetime
from typing import Any, Final

from markupsafe import Markup

from leaveby.ask.household import plan_household
from leaveby.errors import InputError
from leaveby.files.write.outputs import write_result
from leaveby.notebook.leave_early import WORKING, first_words
from leaveby.notebook.place.desk import Desk, buttons
from leaveby.notebook.widgets import Html, import_lab, panel
from leaveby.show.in_python import html_of
from leaveby.show.templates import filled
from leaveby.show.wording import clean

ANSWER_FOLDER: Final = "answer"
"""Beside the plan: where its answer is written."""

_STAND_THERE: Final = "<script>document.querySelector('.leaveby-place')?.scrollIntoView();</script>"
"""Running all cells leaves one at the last; a script brings one back to what the check says."""


def place_answer(desk: Desk) -> Any:
    """Make the panel that saves the plan, answers it, and gives the sheet to print."""
    words = import_lab().HTML()
    import_lab("IPython.display").display(Html(_STAND_THERE))

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
