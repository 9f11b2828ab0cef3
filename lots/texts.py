"""What people write in free fields: trimmed, bounded, and without characters that can't be kept."""

from __future__ import annotations

import unicodedata
from typing import Final

from config.refusals import refuse

REASON_MAX: Final = 200
DESCRIPTION_MAX: Final = 200


def checked_text(text: object, *, field: str, limit: int, required: bool = False) -> str:
    """`text` without outer blanks.

    Raises InvalidError `not_text` (also for control characters other than line ends and tabs),
    `too_long` (more than `limit` characters) and, when `required`, `empty`.
    """
    if not isinstance(text, str) or any(
        unicodedata.category(character) in {"Cc", "Cs"} and character not in "\n\r\t"
        for character in text[: limit + 1]
    ):
        raise refuse("not_text", field=field)
    trimmed = text.strip()
    if len(trimmed) > limit:
        raise refuse("too_long:texts", field=field, value=trimmed, limit=limit)
    if required and not trimmed:
        raise refuse("empty:texts", field=field)
    return trimmed


def checked_reason(reason: object, *, field: str = "reason") -> str:
    """A reason that is kept for good: refused when empty or longer than 200 characters."""
    return checked_text(reason, field=field, limit=REASON_MAX, required=True)
