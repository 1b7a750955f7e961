"""Writes a drill: the record, the trainer's page and the participants' sheets, all or none."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from leaveby.decision.drill.result import Drill
from leaveby.files.write.whole import write_whole
from leaveby.show.drill.page import drill_page, participants_page
from leaveby.show.drill.record import drill_record
from leaveby.show.record import record_text


def write_drill(drill: Drill, out_dir: Path, *, made_at: datetime) -> dict[str, Path]:
    """Write a drill's files under a folder, all or none.

    Parameters
    ----------
    out_dir : Path
        Made when it is not there. Files of the same names are replaced.
    made_at : datetime
        With UTC offset; stands in the record and on the pages.

    Returns
    -------
    dict of file name to Path
        `drill.json`, `drill.html`, `drill_participants.html`.

    Raises
    ------
    InputError
        If the folder can't be made or written, or `made_at` has no offset.
    """
    texts = {
        "drill.json": record_text(drill_record(drill, made_at=made_at)),
        "drill.html": drill_page(drill, made_at=made_at),
        "drill_participants.html": participants_page(drill, made_at=made_at),
    }
    return write_whole(texts, out_dir)
