"""`check_ledger` also proves that closed months stayed as they were closed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from io import StringIO
from types import SimpleNamespace

import pytest
from django.core.management import call_command
from django.db import connection

from lots import clock
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import BooksMonth, Movement
from reports.models import MonthEnd
from reports.queries.month.periods import period_of
from reports.queries.month.statement_digest import statement_digest
from tests.builders import receive
from tests.conftest import MORNING
from tests.databases import unguarded
from tests.lots.ledger.test_posting import close_month_of

APRIL = MORNING.replace(month=4)
CLOSED_AT = MORNING.replace(day=2)


MONTH_OR_BEFORE = [APRIL + dt.timedelta(hours=1), APRIL.replace(month=2)]


@pytest.fixture
def closed_april(works: SimpleNamespace, act: Callable[..., Act]) -> BooksMonth:
    """April with one receipt in it, closed on the second of May; one receipt since."""
    with clock.at(APRIL):
        receive(works, Act(works.operator, APRIL))
    month = close_month_of(APRIL)
    MonthEnd.objects.create(
        books_month=month,
        state="closed",
        closed_at=CLOSED_AT,
        closed_by=works.manager,
        statement_digest=statement_digest(period_of(month)),
    )
    receive(works, act())
    call_command("seal_ledger", accept="a month closed by hand", stdout=StringIO())
    return month


def findings() -> dict[str, list[dict[str, object]]]:
    return {result.check.name: result.rows for result in run_checks() if result.found}


def test_a_closed_month_left_alone_passes(closed_april: BooksMonth) -> None:
    assert findings() == {}


@pytest.mark.parametrize("moment", MONTH_OR_BEFORE)
def test_a_movement_slipped_into_a_closed_month_or_before_is_found(
    closed_april: BooksMonth, works: SimpleNamespace, moment: dt.datetime
) -> None:
    BooksMonth.objects.update(state="open")
    receive(works, Act(works.operator, moment))
    BooksMonth.objects.update(state="closed")
    slipped = Movement.objects.get(sequence=3)
    found = findings()
    assert set(found) == {"closed-months", "closed-figures"}
    assert [row["movement_id"] for row in found["closed-months"]] == [slipped.pk]


def test_a_recorded_time_set_back_to_hide_it_is_found_too(
    closed_april: BooksMonth, works: SimpleNamespace
) -> None:
    BooksMonth.objects.update(state="open")
    receive(works, Act(works.operator, APRIL + dt.timedelta(hours=1)))
    BooksMonth.objects.update(state="closed")
    with unguarded(connection), connection.cursor() as cursor:
        for table, which in (
            ("lots_movement", "sequence = 3"),
            ("lots_entry", "movement_id IN (SELECT id FROM lots_movement WHERE sequence = 3)"),
        ):
            cursor.execute(f"UPDATE {table} SET recorded_at = '2026-05-01 00:00:00' WHERE {which}")
    assert {"sequence", "digests", "times-agree"} <= set(findings())


DAMAGE = {
    "the digest approved rewritten": "UPDATE reports_monthend SET statement_digest = 'f'",
    "its beginning put off": "UPDATE lots_booksmonth SET starts_at = '2026-04-05 00:00:00'",
    "its end put forward": "UPDATE lots_booksmonth SET ends_at = '2026-04-03 00:00:00'",
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_figures_other_than_those_approved_are_found(closed_april: BooksMonth, damage: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(DAMAGE[damage])
    found = findings()
    assert set(found) == {"closed-figures", "as-sealed"}
    assert [row["month"] for row in found["closed-figures"]] == ["2026-04"]


def test_books_left_unlocked_are_found(closed_april: BooksMonth) -> None:
    BooksMonth.objects.update(state="open")
    found = findings()
    assert set(found) == {"month-lock", "as-sealed"}
    assert found["month-lock"][0]["month_id"] == closed_april.pk
