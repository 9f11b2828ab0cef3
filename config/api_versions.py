"""How an address of the API comes to its end: announced in every answer, long before.

A version is the first part of an address (`/api/v1/`). Within a version fields and addresses are
added and never change their meaning; what has to go is announced first.
"""

from __future__ import annotations

import datetime as dt
from typing import Any, ClassVar

from django.utils.http import http_date
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView


class ComesToAnEnd(APIView):
    """Mix in before the view: answers say since when it is deprecated and when it is gone.

    Headers: `Deprecation` (RFC 9745, a date as @seconds), `Sunset` (RFC 8594), and `Link` to the
    successor or the notice.
    """

    deprecated_on: ClassVar[dt.date]
    gone_on: ClassVar[dt.date]
    see: ClassVar[str]

    def finalize_response(
        self, request: Request, response: Response, *args: Any, **kwargs: Any
    ) -> Response:
        response = super().finalize_response(request, response, *args, **kwargs)
        response.headers["Deprecation"] = f"@{_seconds(self.deprecated_on)}"
        response.headers["Sunset"] = http_date(_seconds(self.gone_on))
        response.headers["Link"] = f'<{self.see}>; rel="deprecation"'
        return response


def _seconds(day: dt.date) -> int:
    return int(dt.datetime.combine(day, dt.time(), dt.UTC).timestamp())
