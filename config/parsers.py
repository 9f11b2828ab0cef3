"""JSON in, exactly: numbers with a point arrive as Decimal, and NaN or infinity never arrive."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import IO, Any, Final, NoReturn

from django.conf import settings
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

from config.refusals import InvalidError, TooLargeError, refuse

# As far as a float reaches, so that a few letters never become a number of a billion digits.
_EXPONENT_MAX: Final = 400
_HALF: Final = re.compile(r"\\u[dD][89a-fA-F]")


class ExactJSONParser(JSONParser):
    """As the framework's, but 0.1 stays 0.1 and `NaN` is refused by name.

    The text is UTF-8 whatever the request says (`config.bodies` refuses another charset). A view
    that needs little names the most it takes as `body_bytes_max`.
    """

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        view = (parser_context or {}).get("view")
        most = getattr(view, "body_bytes_max", settings.DATA_UPLOAD_MAX_MEMORY_SIZE)
        body: bytes = stream.read(most + 1)
        if len(body) > most:
            raise TooLargeError(most)
        try:
            return exact_json(body.decode())
        except InvalidError:
            raise
        except (ValueError, RecursionError) as error:
            raise ParseError(f"This is not JSON: {str(error)[:200]}") from error


def exact_json(text: str) -> Any:
    """What the text says. Raises InvalidError `not_a_number`, `not_text`; else ValueError or
    RecursionError.
    """
    data = json.loads(
        text, parse_float=_decimal, parse_int=_integer, parse_constant=_refuse_constant
    )
    if _HALF.search(text):  # only an escape can bring in half a pair
        _check_whole(data)
    return data


def _check_whole(data: Any) -> None:
    """Refuses lone surrogates, which no text in UTF-8 can hold (RFC 8259, section 8.2)."""
    try:
        json.dumps(data, ensure_ascii=False, default=str).encode()
    except UnicodeEncodeError as error:
        raise refuse("not_text:parsers", value=ascii(error.object[error.start])[1:-1]) from error


def _decimal(text: str) -> Decimal:
    if len(text) > 64:
        _refuse_constant(text)
    try:
        number = Decimal(text)
    except InvalidOperation:
        _refuse_constant(text)
    exponent = number.as_tuple().exponent
    if not isinstance(exponent, int) or max(abs(exponent), abs(number.adjusted())) > _EXPONENT_MAX:
        _refuse_constant(text)
    return number


def _integer(text: str) -> int:
    if len(text) > 40:
        _refuse_constant(text)
    return int(text)


def _refuse_constant(text: str) -> NoReturn:
    raise refuse("not_a_number:parsers", value=text)
