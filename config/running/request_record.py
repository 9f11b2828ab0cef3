"""What one request was, for the log and the metrics: id, route, duration, statements, refusals.

Nothing of its content is kept: no path, no parameter, no header, no body. A route is told by its
template, a person by the primary key.
"""

from __future__ import annotations

import logging
import re
import secrets
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

from django.conf import settings
from django.contrib.admindocs.utils import replace_named_groups
from django.db import connections
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.utils.functional import LazyObject, empty

from config.running import metrics

logger = logging.getLogger("config.requests")

ID_HEADER: Final = "X-Request-ID"
_WELL_FORMED_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")
_CONVERTER: Final = re.compile(r"<\w+:(\w+)>")
# How a statement begins that waits for the database's writers' lock: SQLite's and PostgreSQL's.
_BEGINS_WRITING: Final = "BEGIN IMMEDIATE"
_LOCKS_ROWS: Final = " FOR UPDATE"
_METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


@dataclass
class RequestRecord:
    """One request while it is answered. `lock_waits` are seconds, one a statement that locks."""

    request_id: str
    began: float
    statements: int = 0
    refusals: list[str] = field(default_factory=list)
    lock_waits: list[float] = field(default_factory=list)

    def watch(
        self, execute: Callable[..., Any], sql: Any, params: Any, many: bool, context: Any
    ) -> Any:
        """Counts a statement, and times those that wait for other writers."""
        self.statements += 1
        text = str(sql)
        if not text.startswith(_BEGINS_WRITING) and _LOCKS_ROWS not in text:
            return execute(sql, params, many, context)
        began = time.perf_counter()
        try:
            return execute(sql, params, many, context)
        finally:
            self.lock_waits.append(time.perf_counter() - began)


_current: ContextVar[RequestRecord | None] = ContextVar("request_record", default=None)


def current_id() -> str | None:
    """The id of the request being answered, for log lines; None outside of one."""
    record = _current.get()
    return record.request_id if record else None


def note_refusal(code: str) -> None:
    """Keeps with the request being answered that it was refused with `code`."""
    record = _current.get()
    if record is not None:
        record.refusals.append(code)
        metrics.REFUSALS.labels(code).inc()


def keep_record(
    get_response: Callable[[HttpRequest], HttpResponseBase],
) -> Callable[[HttpRequest], HttpResponseBase]:
    """Middleware: gives the request its id, and logs and measures it when it has been answered.

    A streamed answer counts until its last byte.
    """

    def answer(request: HttpRequest) -> HttpResponseBase:
        record = RequestRecord(id_of(request), time.perf_counter())
        token = _current.set(record)
        try:
            with _watched(record):
                response = get_response(request)
            response.headers[ID_HEADER] = record.request_id
            if response.streaming and not _is_static(request):
                response.streaming_content = _followed(  # type: ignore[attr-defined]
                    record, request, response
                )
            else:
                _tell(record, request, response)
            return response
        finally:
            _current.reset(token)

    return answer


def id_of(request: HttpRequest) -> str:
    """The caller's request id when it is well formed, else a new one."""
    given = request.headers.get(ID_HEADER, "")
    return given if _WELL_FORMED_ID.fullmatch(given) else secrets.token_hex(16)


def route_of(request: HttpRequest) -> str:
    """The template of the request's address; `static` for files, `none` for no address of ours."""
    match = getattr(request, "resolver_match", None)
    if match is not None:
        return _template(match.route)
    return "static" if _is_static(request) else "none"


def _is_static(request: HttpRequest) -> bool:
    return request.path.startswith(settings.STATIC_URL)


@cache
def _template(route: str) -> str:
    plain = replace_named_groups(route).replace("\\Z", "").replace("^", "").replace("$", "")
    return "/" + _CONVERTER.sub(r"<\1>", plain)


def _watched(record: RequestRecord) -> ExitStack:
    stack = ExitStack()
    for alias in connections:
        stack.enter_context(connections[alias].execute_wrapper(record.watch))
    return stack


def _followed(
    record: RequestRecord, request: HttpRequest, response: HttpResponseBase
) -> Iterator[bytes]:
    content: Iterable[bytes] = response.streaming_content  # type: ignore[attr-defined]

    def chunks() -> Iterator[bytes]:
        token = _current.set(record)
        try:
            with _watched(record):
                yield from content
        finally:
            _tell(record, request, response)
            _current.reset(token)

    return chunks()


def _tell(record: RequestRecord, request: HttpRequest, response: HttpResponseBase) -> None:
    seconds = time.perf_counter() - record.began
    route = route_of(request)
    method = request.method if request.method in _METHODS else "other"
    assert method is not None
    metrics.REQUESTS.labels(route, method, str(response.status_code)).inc()
    metrics.DURATION.labels(route, method).observe(seconds)
    for waited in record.lock_waits:
        metrics.LOCK_WAIT.observe(waited)
    facts = {
        "route": route,
        "method": method,
        "status": response.status_code,
        "duration_ms": round(seconds * 1000, 1),
        "statements": record.statements,
        "user": _user_id(request),
        "refusals": record.refusals,
    }
    if isinstance(response, HttpResponse):
        facts["bytes"] = len(response.content)
    logger.log(
        logging.ERROR if response.status_code >= 500 else logging.INFO,
        "%s %s %s",
        method,
        route,
        response.status_code,
        extra={"facts": facts},
    )


def _user_id(request: HttpRequest) -> int | None:
    """The signed-in person's key, without asking the database for a person nobody asked for."""
    user = request.__dict__.get("user")
    if isinstance(user, LazyObject) and user.__dict__.get("_wrapped", empty) is empty:
        return None
    return getattr(user, "pk", None)
