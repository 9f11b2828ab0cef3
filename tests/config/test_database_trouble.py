"""Trouble of the database itself: what passes is tried again, the rest is told as what it is."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from django.db import DatabaseError, OperationalError

from config.database_trouble import TRIES_MAX, refusal_of_database, tried_again
from lots.ledger import posting
from lots.models import Lot, Movement, RecordedRequest

RECEIPT = {
    "party": "brackwater",
    "owner": "tern-quay",
    "form": "granules",
    "place": "feed-shelf",
    "weight": {"gross": "100 g", "balance": "bench"},
    "declared": {"Ag": "900"},
}


def trouble(text: str, state: str = "") -> OperationalError:
    """An error as the framework hands it on: the driver's own is its cause."""
    error = OperationalError(text)
    cause: Any = Exception(text)
    cause.sqlstate = state or None
    error.__cause__ = cause
    return error


DEADLOCK = trouble("deadlock detected", "40P01")


class Failing:
    """A `post` that fails so many times and then posts."""

    def __init__(self, error: Exception, times: int) -> None:
        self.error, self.times, self.tried, self.post = error, times, 0, posting.post

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        self.tried += 1
        if self.tried <= self.times:
            raise self.error
        return self.post(*args, **kwargs)


def test_a_passing_trouble_is_tried_again_and_recorded_once(
    emptied_database: None, works: SimpleNamespace, api_as: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing = Failing(DEADLOCK, TRIES_MAX - 1)
    monkeypatch.setattr("lots.services.receipt.post", failing)
    api = api_as(works.operator)
    answer = api.post("/api/v1/receipts/", RECEIPT, headers={"Idempotency-Key": "one"})
    assert (answer.status_code, failing.tried) == (201, TRIES_MAX)
    assert (Movement.objects.count(), RecordedRequest.objects.count()) == (1, 1)


@pytest.mark.parametrize(
    ("error", "tries", "code"),
    [
        (DEADLOCK, TRIES_MAX, "busy"),
        (trouble("canceling statement due to lock timeout", "55P03"), 1, "busy"),
        (trouble("could not extend file", "53100"), 1, "storage_full"),
        (trouble("database or disk is full"), 1, "storage_full"),
    ],
)
def test_a_trouble_that_stays_is_told_and_nothing_is_recorded(
    emptied_database: None,
    works: SimpleNamespace,
    api_as: Any,
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    tries: int,
    code: str,
) -> None:
    failing = Failing(error, 99)
    monkeypatch.setattr("lots.services.receipt.post", failing)
    answer = api_as(works.operator).post("/api/v1/receipts/", RECEIPT)
    assert (answer.status_code, answer.json()["code"], failing.tried) == (503, code, tries)
    assert answer.headers["Retry-After"] == "1"
    assert (Movement.objects.count(), Lot.objects.count()) == (0, 0)


def test_inside_a_transaction_nothing_is_tried_again(db: None) -> None:
    failing = Failing(DEADLOCK, 99)
    with pytest.raises(OperationalError):
        tried_again(failing)
    assert failing.tried == 1


def test_a_page_the_database_can_not_serve_says_when_to_come_again(
    works: SimpleNamespace, client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.force_login(works.operator)
    monkeypatch.setattr("reports.pages.today.inventory", Failing(trouble("locked"), 99))
    answer = client.get("/")
    assert answer.status_code == 503
    assert b"Come again in a moment" in answer.content


def test_a_mistake_of_the_program_is_not_called_busy() -> None:
    assert refusal_of_database(DatabaseError("no such column")) is None


@pytest.mark.parametrize("number", ["9" * 19, "9" * 40])
def test_a_number_longer_than_any_row_has_names_nothing(works, api_as, browse_as, number):
    manager = works.manager
    answers = [
        api_as(manager).post(f"/api/v1/weighings/{number}/withdraw/", {"reason": "wrong"}),
        browse_as(manager).get(f"/weighings/{number}/post/"),
    ]
    assert [answer.status_code for answer in answers] == [404, 404]
