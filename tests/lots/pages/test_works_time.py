"""Whatever shows or takes a time does so by the works' clocks, whatever the process was told."""

from __future__ import annotations

import json
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.urls import reverse

from lots.models import Lot, Movement
from tests.builders import receive


@pytest.fixture
def received(works: SimpleNamespace, act: Callable[..., Any], keep_time_in: Any) -> Lot:
    """A lot received at nine in Greenwich, nine in the evening in Auckland."""
    lot = receive(works, act())
    keep_time_in("Pacific/Auckland")
    return lot


def test_a_page_shows_the_works_time(browser: Any, received: Lot) -> None:
    page = browser.get(reverse("lot", args=[received.code])).content.decode()
    assert "4 May 2026, 21:00" in page
    assert "09:00" not in page


def test_an_answer_and_a_stream_show_it_too(api: Any, received: Lot) -> None:
    answer = api.get("/api/v1/events/").json()["events"][0]
    (line,) = b"".join(api.get("/api/v1/events/?lines=true").streaming_content).splitlines()
    assert answer["occurred_at"] == "2026-05-04T21:00:00+12:00"
    assert json.loads(line) == answer


def test_a_time_given_without_a_zone_is_the_works(
    browser: Any, works: SimpleNamespace, received: Lot
) -> None:
    form = {
        "place": works.places["quarantine"].pk,
        "occurred_at": "2026-05-04T23:30",
        "key": "moved",
    }
    answer = browser.post(reverse("transfer", args=[received.code]), form)
    assert answer.status_code == 302
    assert Movement.objects.get(kind="transfer").occurred_at.isoformat() == (
        "2026-05-04T11:30:00+00:00"
    )


def test_whether_the_site_lives_is_told_without_asking_for_the_zone(
    client: Any, db: None, known_zone: dict[str, Any], django_assert_num_queries: Any
) -> None:
    known_zone.clear()
    with django_assert_num_queries(0):
        assert client.get("/health/live").status_code == 200
