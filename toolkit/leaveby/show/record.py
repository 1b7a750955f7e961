"""What every record shares: its head, its numbers, and how it becomes text.

Shares and minutes before something are rounded down, minutes after it up; a time without end is never a number.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from leaveby.caution import OVERRIDE, PLANNING_AID
from leaveby.show.wording import check_made_at

SLACK: Final = 1e-9
"""Absorbs the last bits of a float before it is rounded."""


def record_head(made_at: datetime, *, first: Mapping[str, str] | None = None, **more: Any) -> dict[str, Any]:
    """What a record begins with: the override statement before all, and at the end the moment of writing.

    >>> from datetime import timezone
    >>> list(record_head(datetime(2026, 1, 17, tzinfo=timezone.utc), first={"exercise": "Only."}, record_version=1))
    ['override', 'exercise', 'planning_aid', 'record_version', 'made_at']
    """
    check_made_at(made_at)
    head = {"override": OVERRIDE, **(first or {}), "planning_aid": PLANNING_AID, **more}
    return {**head, "made_at": made_at.isoformat(timespec="seconds")}


def record_text(record: Mapping[str, Any]) -> str:
    """Write a record as JSON text, letters that can't be seen as their codes; refuses numbers that JSON does not know.

    >>> record_text({"a": [1, None]})
    '{\\n  "a": [\\n    1,\\n    null\\n  ]\\n}\\n'
    """
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    # A terminal would obey them.
    return re.sub(r"[^ -~\n]", lambda one: one[0] if one[0].isprintable() else json.dumps(one[0])[1:-1], text) + "\n"


def share_down(share: float) -> float:
    """A share to four digits, never rounded up.

    >>> share_down(0.99999), share_down(0.5)
    (0.9999, 0.5)
    """
    return math.floor(float(share) * 1e4 + SLACK) / 1e4


def share_up(share: float) -> float:
    """A share of runs that are caught to four digits, never rounded down."""
    return math.ceil(float(share) * 1e4 - SLACK) / 1e4


def finite_or_none(value: float, digits: int = 2) -> float | None:
    """Rounded, or None for a value that is not known.

    >>> finite_or_none(3.14159), finite_or_none(math.inf)
    (3.14, None)
    """
    return round(value, digits) if math.isfinite(value) else None
