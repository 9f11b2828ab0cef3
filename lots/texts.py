"""What people write in free fields: trimmed, bounded, and without characters that can't be kept."""

from __future__ import annotations

import unicodedata
from typing import Final

from config.refusals import InvalidError

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
        raise InvalidError(
            "This is not plain text.",
            code="not_text",
            field=field,
            remedy="Write letters, digits, signs and line ends only.",
        )
    trimmed = text.strip()
    if len(trimmed) > limit:
        raise InvalidError(
            f"The text is longer than {limit} characters.",
            code="too_long",
            field=field,
            value=trimmed,
            remedy="Shorten it, or attach it to the lot as a document.",
        )
    if required and not trimmed:
        raise InvalidError(
            "This must be filled in.",
            code="empty",
            field=field,
            remedy="Write a few words.",
        )
    return trimmed


def checked_reason(reason: object, *, field: str = "reason") -> str:
    """A reason that is kept for good: refused when empty or longer than 200 characters."""
    return checked_text(reason, field=field, limit=REASON_MAX, required=True)
