"""Pages and answers show, and forms take, the time by the works' clocks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from lots.queries.works_zone import works_zone

# Answered without the database, or as long as it is out of order.
_TIMELESS: Final = ("/health/", "/metrics")


def in_works_time(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: what is shown or read without a zone is the works' own time."""

    def answer(request: HttpRequest) -> HttpResponse:
        if request.path.startswith(_TIMELESS):
            return get_response(request)
        with timezone.override(works_zone()):
            return get_response(request)

    return answer
