"""Why a request is turned down: one family of refusals, printed alike by the API and the pages.

Every refusal stands once, in `refusals.toml`: its code, HTTP status, words and remedy. Free of
Django so that pure calculations can refuse too.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final


class RefusalError(ValueError):
    """A request that cannot be recorded as it stands; nothing has been written.

    `code` is stable and machine-readable (`docs/refusals.md` lists every code), `field` names the
    input at fault, `value` repeats what was given (shortened), `remedy` says what to do instead.
    """

    status = 400
    default_code = "invalid"
    # The parts of `field` that a page marks instead of the whole.
    marks: Sequence[str] = ()

    def __init__(
        self,
        message: str,
        *,
        code: str | None = None,
        field: str | None = None,
        value: object = None,
        remedy: str = "",
    ) -> None:
        super().__init__(message)
        self.code = code or self.default_code
        self.field = field
        self.value = None if value is None else shorten(str(value))
        self.message = message
        self.remedy = remedy
        # Of figures that are asked about: what would be likely, and what may have been meant.
        self.questions: list[dict[str, Any]] = []

    def as_problem(self) -> dict[str, Any]:
        """The answer the API and the pages print: code, field, value, message, remedy."""
        problem = {
            "code": self.code,
            "field": self.field,
            "value": self.value,
            "message": self.message,
            "remedy": self.remedy,
        }
        return {**problem, "questions": self.questions} if self.questions else problem


class InvalidError(RefusalError):
    """The input itself is wrong (HTTP 400)."""


class RowsRefusedError(InvalidError):
    """Rows of an upload can't be recorded, so none is; `problems` has every row's own refusal."""

    default_code = "rows_refused"

    def __init__(self, refused: Sequence[RefusalError], rows: int) -> None:
        super().__init__(
            f"{len(refused)} of {rows} rows can't be recorded; nothing has been.",
            field="file",
            remedy="Put the rows named right and send the whole file again.",
        )
        self.problems = [each.as_problem() for each in refused]

    def as_problem(self) -> dict[str, Any]:
        """As every refusal, with the list of the rows' own problems."""
        return {**super().as_problem(), "problems": self.problems}


class ConflictError(RefusalError):
    """The input is well formed but contradicts what is on the books (HTTP 409)."""

    status = 409
    default_code = "conflict"


class ForbiddenError(RefusalError):
    """The person may not do this (HTTP 403)."""

    status = 403
    default_code = "forbidden"


class LengthNeededError(RefusalError):
    """The request does not say how long it is, so nothing of it would be read (HTTP 411)."""

    status = 411
    default_code = "length_needed"

    def __init__(self) -> None:
        super().__init__(
            "The request does not say how long it is.",
            field="Content-Length",
            remedy="Send it whole, with Content-Length and without Transfer-Encoding.",
        )


class TooLargeError(RefusalError):
    """The request brings more than is taken there (HTTP 413)."""

    status = 413
    default_code = "too_large"

    def __init__(self, bytes_max: int) -> None:
        kib = bytes_max // 1024
        most = f"{kib // 1024} MiB" if kib >= 1024 else f"{kib} KiB"
        super().__init__(f"The request is larger than {most}.", remedy="Send it in parts.")


class NotTakenError(RefusalError):
    """The request is of a kind, or in an encoding, that is not taken there (HTTP 415)."""

    status = 415
    default_code = "unsupported_media_type"


class UnavailableError(RefusalError):
    """The server can't do it now, and can later (HTTP 503); the same request may be sent again."""

    status = 503
    default_code = "busy"


class TooManyError(RefusalError):
    """Too many attempts lately; the same may be tried again after so many seconds (HTTP 429)."""

    status = 429
    default_code = "too_many_attempts"

    def __init__(self, wait_s: int) -> None:
        super().__init__(
            "There were too many attempts that failed.",
            code="too_many_attempts",
            remedy=f"Wait {wait_s} s, then try once more.",
        )
        self.wait_s = wait_s


class UnknownError(RefusalError):
    """What the request names does not exist, or is not this person's to see (HTTP 404)."""

    status = 404
    default_code = "unknown"


CATALOGUE: Final[dict[str, dict[str, Any]]] = tomllib.loads(
    Path(__file__).with_name("refusals.toml").read_text("utf-8")
)
_BY_STATUS: Final[dict[int, type[RefusalError]]] = {
    400: InvalidError,
    403: ForbiddenError,
    404: UnknownError,
    409: ConflictError,
    415: NotTakenError,
    503: UnavailableError,
}


def refuse(
    name: str, /, *, field: str | None = None, value: object = None, **words: object
) -> RefusalError:
    """The refusal of that name in the catalogue, to be raised.

    What follows a colon in the name tells apart refusals of one code. `words` are what the
    catalogue names in braces, beside `{value}`.
    """
    entry = CATALOGUE[name]
    words["value"] = value
    refusal = _BY_STATUS[entry["status"]](
        entry["says"].format_map(words),
        code=name.partition(":")[0],
        field=field,
        value=value,
        remedy=entry.get("remedy", "").format_map(words),
    )
    refusal.marks = entry.get("marks", ())
    return refusal


def shorten(text: str, limit: int = 80) -> str:
    """`text` cut to `limit` characters, so that an answer never repeats a very long input."""
    return text if len(text) <= limit else text[: limit - 1] + "…"
