"""What a request may bring along: so many bytes, and text in UTF-8 alone (RFC 8259, section 8.1).

Django would hand the name of any codec in Content-Type to Python, whose codecs unpack too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.http.request import UnreadablePostError
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.utils.http import parse_header_parameters

from config.api import is_api
from config.refusals import LengthNeededError, RefusalError, TooLargeError, refuse
from config.running.request_record import note_refusal

_UTF_8: Final = frozenset({"utf-8", "utf8"})
# A body that nobody asked for is read up to here, so that the connection outlives the answer.
_READ_ANYWAY_MAX: Final = 100 * 1024 * 1024
_CHUNK: Final = 64 * 1024


def check_body(
    get_response: Callable[[HttpRequest], HttpResponseBase],
) -> Callable[[HttpRequest], HttpResponseBase]:
    """Middleware: refuses a body before any of it is parsed, and reads what nobody read.

    415 `not_utf8`; 411 `length_needed`; 413 `too_large`.
    """

    def answer(request: HttpRequest) -> HttpResponseBase:
        refusal = _refusal_of(request)
        # UTF-8 by whichever of its names, and for the page that tells of another charset too.
        request.encoding = settings.DEFAULT_CHARSET
        if is_api(request) and not _length_of(request):
            # Else the framework reads an empty form, in which what is left out is not so.
            request.META["CONTENT_TYPE"] = ""
        response = get_response(request) if refusal is None else _told(request, refusal)
        _read_to_the_end(request)
        return response

    return answer


def readable_type(content_type: str) -> str:
    """The header as it is, or one that will be refused: Django fails on some before middleware."""
    try:
        parse_header_parameters(content_type)
    except ValueError:
        return "application/octet-stream; charset=unreadable"
    return content_type


def _refusal_of(request: HttpRequest) -> RefusalError | None:
    charset = (request.content_params or {}).get("charset", "utf-8")
    if charset.lower() not in _UTF_8:
        return refuse("not_utf8", field="Content-Type", value=charset)
    if "HTTP_TRANSFER_ENCODING" in request.META:
        return LengthNeededError()
    if _length_of(request) > settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
        return TooLargeError(settings.UPLOAD_BYTES_MAX)
    return None


def _length_of(request: HttpRequest) -> int:
    given = str(request.META.get("CONTENT_LENGTH") or "")
    return int(given[:20]) if given.isdecimal() else 0


def _told(request: HttpRequest, refusal: RefusalError) -> HttpResponse:
    note_refusal(refusal.code)
    if is_api(request):
        return JsonResponse(refusal.as_problem(), status=refusal.status)
    return render(request, "site/refused.html", {"refusal": refusal}, status=refusal.status)


def _read_to_the_end(request: HttpRequest) -> None:
    left = _READ_ANYWAY_MAX
    try:
        while left > 0 and (chunk := request.read(_CHUNK)):
            left -= len(chunk)
    except UnreadablePostError:
        return  # gone, and so nobody waits for the answer
