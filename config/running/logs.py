"""How log lines look in service: one JSON object a line, with the request's id.

Messages of errors and paths can hold what customers wrote or a link's key, so of an error only its
type and the places in the code are written, and of a request only its route's template.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import traceback
from types import TracebackType
from typing import Any, Final

from django.http import HttpRequest

PLACES_MAX: Final = 12


class JsonLines(logging.Formatter):
    """A record as one line of JSON: at, level, logger, message, request_id and the facts given."""

    def format(self, record: logging.LogRecord) -> str:
        from config.running.request_record import current_id  # noqa: PLC0415 - loads the framework

        line: dict[str, Any] = {
            "at": dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(),
            "level": record.levelname,
            "logger": record.name,
            "message": _message(record),
            "request_id": current_id(),
            **getattr(record, "facts", {}),
        }
        if record.exc_info and record.exc_info[0] is not None:
            line["error"] = record.exc_info[0].__name__
            line["places"] = _places(record.exc_info[2])
        return json.dumps(line, ensure_ascii=False, default=str)


def _message(record: logging.LogRecord) -> str:
    """The message; the framework's own about a request name its path, so its route stands in."""
    from config.running.request_record import route_of  # noqa: PLC0415 - loads the framework

    request = getattr(record, "request", None)
    if isinstance(request, HttpRequest) or record.name.startswith("django."):
        status = getattr(record, "status_code", "")
        route = route_of(request) if isinstance(request, HttpRequest) else ""
        return f"{record.name} {status} {route}".strip()
    if record.name.startswith("waitress"):
        # It ends what it says with the request's address.
        return record.getMessage().partition(" serving ")[0]
    return record.getMessage()


def _places(trace: TracebackType | None) -> list[str]:
    frames = traceback.extract_tb(trace)[-PLACES_MAX:]
    return [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames]
