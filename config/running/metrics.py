"""Measures for Prometheus: of requests by counters in this process, of the books by asking them.

What the apps tell (`AppConfig.metrics`, the dotted name of a function) is asked of the database at
each scrape.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable, Iterable
from typing import Final

from django.apps import apps
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.utils.module_loading import import_string
from django.views.decorators.http import require_safe
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
from prometheus_client.metrics_core import Metric
from prometheus_client.registry import Collector

_OWN: Final = CollectorRegistry()
REQUESTS: Final = Counter(
    "http_requests", "Requests answered.", ["route", "method", "status"], registry=_OWN
)
DURATION: Final = Histogram(
    "http_request_seconds", "Time to answer.", ["route", "method"], registry=_OWN
)
REFUSALS: Final = Counter("refusals", "Requests turned down, by code.", ["code"], registry=_OWN)
LOCK_WAIT: Final = Histogram(
    "lock_wait_seconds",
    "Time of the statements that wait for other writers.",
    buckets=(0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30),
    registry=_OWN,
)
_FORWARDED: Final = ("HTTP_X_FORWARDED_FOR", "HTTP_X_REAL_IP", "HTTP_FORWARDED")
_LOOPBACK: Final = frozenset({"127.0.0.1", "::1"})


class _Asked(Collector):
    """What the apps tell of their tables when a scrape asks."""

    def collect(self) -> Iterable[Metric]:
        for config in apps.get_app_configs():
            for name in getattr(config, "metrics", ()):
                tell: Callable[[], Iterable[Metric]] = import_string(name)
                yield from tell()


@require_safe
def metrics_page(request: HttpRequest) -> HttpResponse:
    """All measures as text; to strangers the address does not exist."""
    if not may_scrape(request):
        raise Http404
    registry = CollectorRegistry()
    registry.register(_OWN)
    registry.register(_Asked())
    return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_PLAIN_0_0_4)


def may_scrape(request: HttpRequest) -> bool:
    """With `METRICS_TOKEN` set its bearer, from anywhere; without, this machine itself only.

    Behind a proxy on this machine everyone comes from it, so a forwarded request needs the token.
    """
    if settings.METRICS_TOKEN:
        given = request.headers.get("Authorization", "")
        return hmac.compare_digest(given.encode(), f"Bearer {settings.METRICS_TOKEN}".encode())
    if any(header in request.META for header in _FORWARDED):
        return False
    return settings.SECURE_PROXY_SSL_HEADER is None and request.META["REMOTE_ADDR"] in _LOOPBACK
