"""JSON in, exactly: numbers with a point arrive as Decimal, and NaN or infinity never arrive."""

from __future__ import annotations

import codecs
import io
import json
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import IO, Any, NoReturn

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

from config.refusals import InvalidError, refuse


class ExactJSONParser(JSONParser):
    """As the framework's, but 0.1 stays 0.1 and `NaN` is refused by name."""

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        encoding = (parser_context or {}).get("encoding", settings.DEFAULT_CHARSET)
        try:
            text = codecs.getreader(encoding)(io.BytesIO(_read(stream))).read()
            return json.loads(
                text, parse_float=_decimal, parse_int=_integer, parse_constant=_refuse_constant
            )
        except InvalidError:
            raise
        except (ValueError, RecursionError, LookupError) as error:
            raise ParseError(f"This is not JSON: {str(error)[:200]}") from error


def _read(stream: IO[Any]) -> bytes:
    """The body, if it is no larger than any request has cause to be."""
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    body: bytes = stream.read(most + 1)
    if len(body) > most:
        raise RequestDataTooBig
    return body


def _decimal(text: str) -> Decimal:
    if len(text) > 64:
        _refuse_constant(text)
    try:
        return Decimal(text)
    except InvalidOperation:
        _refuse_constant(text)


def _integer(text: str) -> int:
    if len(text) > 40:
        _refuse_constant(text)
    return int(text)


def _refuse_constant(text: str) -> NoReturn:
    raise refuse("not_a_number:parsers", value=text)
