"""The month's end: prepared, approved by another, closed in order, and opened again on record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from config.refusals import RefusalError
from lots import clock
from lots.ledger.recording import Act
from lots.models import BooksMonth, Entry, Movement, WorksZone
from lots.services.opening import Opening, open_lot
from lots.services.write_off import write_off
from reports.models import MonthEnd, MonthReopening
from reports.queries.month.statement_digest import is_as_signed
from reports.services.approvals import approve_month
from reports.services.counts import open_count_sheet
from reports.services.month_end import (
    begin_month_end,
    close_month,
    prepare_month,
    reopen_month,
    send_back_month,
)
from tests.databases import unguarded
from tests.reports.conftest import APRIL, G

Make = Callable[..., Any]
MARCH = dt.date(2026, 3, 1)
MAY = dt.date(2026, 5, 1)


@pytest.fixture
def accountant(in_june: SimpleNamespace, at: Make) -> Act:
    act: Act = at(6, 1, who=in_june.works.accountant)
    return act


@pytest.fixture
def manager(in_june: SimpleNamespace, at: Make) -> Act:
    act: Act = at(6, 1, who=in_june.works.manager, note="looked through")
    return act


@pytest.fixture
def close(accountant: Act, manager: Act) -> Callable[[dt.date], MonthEnd]:
    """Goes through every step of a month without counts."""

    def steps(first_day: dt.date) -> MonthEnd:
        month_end = begin_month_end(first_day=first_day, act=accountant)
        prepare_month(month_end=month_end, act=accountant)
        approve_month(month_end=month_end, act=manager)
        return close_month(month_end=month_end, act=manager)

    return steps


def test_month_is_prepared_approved_and_closed(
    close: Make, in_june: SimpleNamespace, at: Make
) -> None:
    close(MARCH)
    month_end = close(APRIL)
    assert month_end.state == "closed"
    assert month_end.prepared_by == in_june.works.accountant
    assert month_end.approved_by == month_end.closed_by == in_june.works.manager
    month = month_end.books_month
    month.refresh_from_db()
    assert (month.state, month.starts_at) == ("closed", dt.datetime(2026, 4, 1, tzinfo=dt.UTC))
    assert is_as_signed(month_end)
    assert len(month_end.statement_digest) == 64


def test_closed_month_takes_no_movement_in_it_or_before_it(
    close: Make, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    close(MARCH)
    close(APRIL)
    for day in (at(4, 30), at(3, 31)):
        with refused("month_closed", "occurred_at"):
            write_off(lot=in_june.crystal, cause="spill", stage="store", act=day, mass_ug=G)
    # Nothing can slip in before the first month either: it would change what that opened with.
    found = Opening(form="bar", owner=in_june.works.house, place=in_june.bar.place, mass_ug=G)
    with refused("month_closed", "occurred_at"):
        open_lot(opening=found, act=at(2, 1))
    write_off(lot=in_june.crystal, cause="spill", stage="store", act=at(5, 31), mass_ug=G)
    assert is_as_signed(MonthEnd.objects.get(books_month__first_day=APRIL))


@pytest.mark.parametrize("day", ["2026-04-30", "2026-02-01"])
def test_the_database_itself_takes_no_movement_up_to_a_closed_months_end(
    close: Make, in_june: SimpleNamespace, day: str
) -> None:
    close(MARCH)
    close(APRIL)
    fields = {name: getattr(in_june.spilled, name) for name in ("kind", "stage", "recorded_at")}
    with pytest.raises(DatabaseError, match="closed month"), transaction.atomic():
        Movement.objects.create(
            sequence=99,
            occurred_at=dt.datetime.fromisoformat(f"{day}T12:00:00+00:00"),
            recorded_by=in_june.works.operator,
            digest="0" * 64,
            **fields,
        )


def test_months_close_in_order(
    in_june: SimpleNamespace, accountant: Act, manager: Act, refused: Make
) -> None:
    april = begin_month_end(first_day=APRIL, act=accountant)
    prepare_month(month_end=april, act=accountant)
    approve_month(month_end=april, act=manager)
    with refused("earlier_month_open", "month"):
        close_month(month_end=april, act=manager)
    begin_month_end(first_day=MARCH, act=accountant)
    with refused("earlier_month_open", "month") as caught:
        close_month(month_end=april, act=manager)
    assert caught.value.value == "2026-03"


def test_month_refused_before_it_is_over(
    in_june: SimpleNamespace, accountant: Act, refused: Make
) -> None:
    with clock.at(dt.datetime(2026, 4, 30, 23, 59, tzinfo=dt.UTC)):
        act = Act(who=accountant.who)
        april = begin_month_end(first_day=APRIL, act=act)
        with refused("month_not_over", "month"):
            prepare_month(month_end=april, act=act)
        with refused("in_the_future", "month"):
            begin_month_end(first_day=MAY, act=act)
    prepare_month(month_end=april, act=accountant)


def test_month_refused_to_the_person_who_prepared_it(
    in_june: SimpleNamespace, accountant: Act, refused: Make
) -> None:
    april = begin_month_end(first_day=APRIL, act=accountant)
    prepare_month(month_end=april, act=accountant)
    with refused("same_person", "who"):
        approve_month(month_end=april, act=accountant)


def test_each_step_refused_out_of_turn(
    close: Make, in_june: SimpleNamespace, accountant: Act, manager: Act, refused: Make
) -> None:
    march = close(MARCH)
    april = begin_month_end(first_day=APRIL, act=accountant)
    with refused("already_begun", "month"):
        begin_month_end(first_day=dt.date(2026, 4, 17), act=accountant)
    with refused("month_not_prepared", "month"):
        approve_month(month_end=april, act=manager)
    with refused("month_not_approved", "month"):
        close_month(month_end=april, act=manager)
    with refused("month_not_open", "month"):
        prepare_month(month_end=march, act=accountant)
    with refused("not_closed", "month"):
        reopen_month(month_end=april, reason="why not", act=manager)
    with refused("month_not_prepared", "month"):
        send_back_month(month_end=march, act=manager)
    with refused("month_not_counting", "month"):
        open_count_sheet(month_end=march, place=in_june.works.places["fine-safe"], act=accountant)


def test_open_sheets_are_refused_unless_waived_with_a_reason(
    in_june: SimpleNamespace, accountant: Act, refused: Make
) -> None:
    april = begin_month_end(first_day=APRIL, act=accountant)
    open_count_sheet(month_end=april, place=in_june.works.places["fine-safe"], act=accountant)
    for waiver in ("", "   "):
        with refused("sheets_open", "waiver"):
            prepare_month(month_end=april, act=accountant, waiver=waiver)
    with refused("too_long", "waiver"):
        prepare_month(month_end=april, act=accountant, waiver="x" * 301)
    prepare_month(month_end=april, act=accountant, waiver="safe's key is away")
    assert april.waiver == "safe's key is away"


def test_a_waiver_is_kept_only_where_something_is_waived(
    in_june: SimpleNamespace, accountant: Act
) -> None:
    april = begin_month_end(first_day=APRIL, act=accountant)
    prepare_month(month_end=april, act=accountant, waiver="no need")
    assert april.waiver == ""


def test_each_step_reads_the_month_as_it_stands(
    close: Make, in_june: SimpleNamespace, accountant: Act, manager: Act, refused: Make
) -> None:
    def as_of_now() -> MonthEnd:
        return MonthEnd.objects.get(books_month__first_day=MARCH)

    march = begin_month_end(first_day=MARCH, act=accountant)
    begun = as_of_now()
    prepare_month(month_end=march, act=accountant)
    with refused("month_not_open", "month"):
        prepare_month(month_end=begun, act=accountant)
    prepared = [as_of_now(), as_of_now()]
    send_back_month(month_end=march, act=manager)
    for step, stale in zip((approve_month, send_back_month), prepared, strict=True):
        with refused("month_not_prepared", "month"):
            step(month_end=stale, act=manager)
    prepare_month(month_end=march, act=accountant)
    approve_month(month_end=march, act=manager)
    approved = as_of_now()
    close_month(month_end=march, act=manager)
    with refused("month_not_approved", "month"):
        close_month(month_end=approved, act=manager)
    closed = as_of_now()
    reopen_month(month_end=march, reason="a slip", act=manager)
    with refused("not_closed", "month"):
        reopen_month(month_end=closed, reason="a slip", act=manager)


def test_close_refused_when_the_books_changed_after_approval(
    close: Make, in_june: SimpleNamespace, accountant: Act, manager: Act, at: Make, refused: Make
) -> None:
    close(MARCH)
    april = begin_month_end(first_day=APRIL, act=accountant)
    prepare_month(month_end=april, act=accountant)
    approve_month(month_end=april, act=manager)
    write_off(lot=in_june.crystal, cause="spill", stage="store", act=at(4, 30), mass_ug=1)
    with refused("changed_since_approval", "month"):
        close_month(month_end=april, act=manager)
    send_back_month(month_end=april, act=manager)
    prepare_month(month_end=april, act=accountant)
    approve_month(month_end=april, act=manager)
    assert close_month(month_end=april, act=manager).state == "closed"


def test_reopening_stays_on_record_and_lets_the_month_be_closed_anew(
    close: Make, in_june: SimpleNamespace, accountant: Act, manager: Act, at: Make
) -> None:
    april = (close(MARCH), close(APRIL))[1]
    signed = april.statement_digest
    reopen_month(month_end=april, reason=" a late weighing ", act=manager)
    assert (april.state, april.statement_digest, april.approved_by) == ("counting", "", None)
    record = MonthReopening.objects.get()
    assert (record.reason, record.statement_digest) == ("a late weighing", signed)
    assert (record.reopened_by, record.closed_by) == (manager.who, manager.who)
    write_off(lot=in_june.crystal, cause="spill", stage="store", act=at(4, 30), mass_ug=1)
    prepare_month(month_end=april, act=accountant)
    approve_month(month_end=april, act=manager)
    close_month(month_end=april, act=manager)
    assert april.statement_digest != signed
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        MonthReopening.objects.update(reason="nothing happened")


def test_reopening_refused_without_a_reason_or_under_a_later_closed_month(
    close: Make, in_june: SimpleNamespace, manager: Act, refused: Make
) -> None:
    march, april, may = close(MARCH), close(APRIL), close(MAY)
    for month_end in (march, april):
        with refused("later_month_closed", "month") as caught:
            reopen_month(month_end=month_end, reason="a slip", act=manager)
        # The one to begin with: whatever is closed after it would refuse any other.
        assert caught.value.value == "2026-05"
    with refused("empty", "reason"):
        reopen_month(month_end=may, reason=" ", act=manager)
    with refused("too_long", "reason"):
        reopen_month(month_end=may, reason="x" * 301, act=manager)


def test_an_entry_changed_behind_the_guards_no_longer_fits_the_digest(
    close: Make, in_june: SimpleNamespace
) -> None:
    april = (close(MARCH), close(APRIL))[1]
    entry = Entry.objects.filter(movement=in_june.spilled).first()
    assert entry is not None
    with unguarded(connection):
        Entry.objects.filter(pk=entry.pk).update(mass_ug=entry.mass_ug - 1)
    assert not is_as_signed(april)


def test_two_people_are_demanded_by_the_database_too(
    in_june: SimpleNamespace, accountant: Act
) -> None:
    april = begin_month_end(first_day=APRIL, act=accountant)
    april.prepared_by = april.approved_by = in_june.works.accountant
    with pytest.raises(DatabaseError), transaction.atomic():
        april.save()


def test_month_of_the_books_begins_once(in_june: SimpleNamespace, accountant: Act) -> None:
    keyed = Act(who=accountant.who, occurred_at=accountant.occurred_at, key="begin")
    first, again = (begin_month_end(first_day=APRIL, act=keyed) for _ in range(2))
    assert first == again
    assert BooksMonth.objects.count() == 1
    with pytest.raises(RefusalError):
        begin_month_end(first_day=APRIL, act=accountant)


def test_a_month_begun_elsewhere_goes_on_where_the_last_ended(
    close: Make, accountant: Act, keep_time_in: Callable[[str], None]
) -> None:
    """East of Greenwich its own midnight comes before the end of the month that is closed."""
    close(MARCH)
    april_ends_at = close(APRIL).books_month.ends_at
    keep_time_in("Pacific/Auckland")
    may = begin_month_end(first_day=MAY, act=accountant).books_month
    assert may.starts_at == april_ends_at == dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
    assert may.ends_at == dt.datetime(2026, 5, 31, 12, tzinfo=dt.UTC)


def test_the_first_month_begun_makes_the_zone_a_fact(
    accountant: Act, known_zone: dict[str, Any], settings: Any
) -> None:
    known_zone.clear()
    begin_month_end(first_day=MARCH, act=accountant)
    assert WorksZone.objects.get().name == "UTC"
    settings.TIME_ZONE = "Pacific/Auckland"
    april = begin_month_end(first_day=APRIL, act=accountant).books_month
    assert april.starts_at == dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
    assert WorksZone.objects.count() == 1


def test_a_month_is_not_begun_while_nobody_says_in_which_zone_the_last_was(
    close: Make, accountant: Act, known_zone: dict[str, Any], settings: Any, refused: Make
) -> None:
    close(MARCH)
    known_zone.clear()
    settings.TIME_ZONE = "Pacific/Auckland"
    with refused("other_zone", "month"):
        begin_month_end(first_day=APRIL, act=accountant)
