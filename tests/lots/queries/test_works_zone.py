"""The works' time zone is a fact in the database; a process is only asked before there is one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection, transaction

from config.refusals import ConflictError
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import BooksMonth, SealedRow, WorksZone
from lots.queries.works_zone import contradiction, fixed_zone, works_zone
from tests.builders import receive, row_counts
from tests.conftest import MORNING
from tests.databases import unguarded

Make = Callable[..., Act]
AUCKLAND, AMSTERDAM = "Pacific/Auckland", "Europe/Amsterdam"


@pytest.fixture
def told(settings: Any, known_zone: dict[str, ZoneInfo]) -> Callable[[str], None]:
    """A process that was told a zone (or none), and has asked nothing of the database yet."""

    def start(name: str) -> None:
        settings.WORKS_TIME_ZONE = name
        settings.TIME_ZONE = name or "UTC"
        known_zone.clear()

    return start


def october(ends_at: dt.datetime) -> BooksMonth:
    starts_at = dt.datetime(2025, 10, 1, tzinfo=dt.UTC)
    return BooksMonth.objects.create(
        first_day=starts_at.date(), starts_at=starts_at, ends_at=ends_at
    )


def test_before_there_is_a_zone_the_process_proposes_it(db: None, told: Make) -> None:
    told("")
    assert works_zone().key == "UTC"
    told(AMSTERDAM)
    assert works_zone().key == AMSTERDAM
    assert (fixed_zone(), contradiction()) == (None, "")


def test_the_first_request_of_a_process_that_was_told_a_zone_makes_it_a_fact(
    works: SimpleNamespace, act: Make, told: Make
) -> None:
    told("")
    receive(works, act())
    assert not WorksZone.objects.exists()
    told(AMSTERDAM)
    receive(works, act(1))
    receive(works, act(2))
    zone = WorksZone.objects.get()
    assert zone.name == AMSTERDAM
    assert SealedRow.objects.filter(
        layout__table_name="lots_workszone", row_id=zone.pk, seal__number=2
    ).exists()
    for name in ("", AUCKLAND):
        told(name)
        receive(works, act(3))
        assert works_zone().key == AMSTERDAM
    assert WorksZone.objects.get() == zone
    assert [result.check.name for result in run_checks() if result.found] == []


def test_a_zone_that_was_changed_by_hand_is_found(
    works: SimpleNamespace, act: Make, told: Make
) -> None:
    told(AMSTERDAM)
    receive(works, act())
    with unguarded(connection):
        WorksZone.objects.update(name=AUCKLAND)
    assert [result.check.name for result in run_checks() if result.found] == ["as-sealed"]


def test_only_a_set_variable_contradicts_a_zone(keep_time_in: Make, told: Make) -> None:
    keep_time_in(AMSTERDAM)
    for agreeing in ("", AMSTERDAM):
        told(agreeing)
        assert contradiction() == ""
    told(AUCKLAND)
    assert contradiction() == (
        "WORKS_TIME_ZONE is Pacific/Auckland, but these books are kept in Europe/Amsterdam. "
        "Unset it, or set it to Europe/Amsterdam."
    )


def test_months_begun_before_there_was_such_a_fact_contradict_another_zone(
    works: SimpleNamespace, act: Make, told: Make
) -> None:
    october(dt.datetime(2025, 11, 1, tzinfo=dt.UTC))
    for fitting in ("", "UTC", "Europe/London"):
        told(fitting)
        assert contradiction() == ""
    told(AUCKLAND)
    assert contradiction().startswith(
        "WORKS_TIME_ZONE is Pacific/Auckland, but on these books 2025-10 ends at 2025-11-01 00:00 "
        "UTC, which is no midnight there. Set it to the zone"
    )
    before = row_counts()
    with pytest.raises(ConflictError) as caught:
        receive(works, act())
    assert (caught.value.code, caught.value.field) == ("other_zone", "month")
    assert row_counts() == before


@pytest.mark.usefixtures("emptied_database")
def test_a_zone_taken_back_with_its_transaction_is_not_remembered(told: Make) -> None:
    told("")
    with transaction.atomic():
        WorksZone.objects.create(name=AMSTERDAM, fixed_at=MORNING)
        assert works_zone().key == AMSTERDAM
        transaction.set_rollback(True)
    assert works_zone().key == "UTC"


@pytest.mark.usefixtures("emptied_database")
def test_a_zone_that_another_process_fixed_rules_at_once_and_is_asked_for_no_more(
    told: Make, django_assert_num_queries: Any
) -> None:
    told("")
    assert works_zone().key == "UTC"
    WorksZone.objects.create(name=AMSTERDAM, fixed_at=MORNING)
    with django_assert_num_queries(1):
        assert {works_zone().key for _ in range(3)} == {AMSTERDAM}
