"""The month's end step by step: begin, count, prepare, approve, close; and open again."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Annotated, Final

from django.db.models import Min
from django.shortcuts import get_object_or_404

from config.refusals import ConflictError, refuse
from lots import clock
from lots.declaration.event import Asks, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.models import BooksMonth, Movement
from lots.people.roles import OFFICE
from lots.queries.works_zone import next_month
from lots.services.works_zone import fix_zone
from reports.models import MonthEnd, MonthReopening
from reports.queries.count_sheets import open_sheets, stale_lines, undecided
from reports.queries.month.periods import local_day, month_period, parse_first_day
from reports.queries.month.statement_digest import is_as_signed
from reports.services.sign_statement import signed_with_key

_STATE = MonthEnd.State
REASON_LENGTH_MAX: Final = 300


def month_end_of(month: str) -> MonthEnd:
    """The month's end of a month such as "2026-05", or 404 while it is not begun."""
    ends = MonthEnd.objects.select_related("books_month")
    return get_object_or_404(ends, books_month__first_day=parse_first_day(month))


ON_MONTH: Final = On(
    MonthEnd,
    "months/<str:month>",
    "month_end",
    section="months",
    template="reports/month_step.html",
    when="",
    page="month",
    page_of="books_month",
    also=("month", "who"),
    found=lambda address: month_end_of(address["month"]),
)
ON_MONTH_OF_BOOKS: Final = replace(
    ON_MONTH,
    param="first_day",
    found=lambda address: parse_first_day(address["month"]),
)


@recorded_once
def begin_month_end(*, first_day: dt.date, act: Act) -> MonthEnd:
    """Begins the close of the month of `first_day`; counting may begin before the month is over.

    Its bounds are stored, and with them the works' time zone becomes a fact if it was none yet.
    Raises ConflictError `already_begun`, `other_zone`; InvalidError `in_the_future`.
    """
    fix_zone()
    period = month_period(first_day)
    if period.starts_at > clock.now():
        raise refuse("in_the_future:month_end", field="month", value=str(period), period=period)
    month, _ = BooksMonth.objects.get_or_create(
        first_day=period.first_day,
        defaults={"starts_at": period.starts_at, "ends_at": period.ends_at},
    )
    if MonthEnd.objects.filter(books_month=month).exists():
        raise refuse("already_begun", field="month", value=str(month), month=month)
    return MonthEnd.objects.create(books_month=month)


BEGIN: Final = Event(
    begin_month_end,
    on=ON_MONTH_OF_BOOKS,
    at="begin",
    name="month-begin",
    about="Begin a month's end; counting may begin before the month is over.",
    title="Begin the close",
    lead="Counting may begin before the month is over; closing may not.",
    button="Begin it",
    done="Begun. Open a count sheet for each place.",
    roles=OFFICE,
    when=None,
    lands="month books_month",
)


@recorded_once
def prepare_month(
    *,
    month_end: MonthEnd,
    act: Act,
    waiver: Annotated[
        str, Asks("Why sheets stay uncounted, if any do", at_most=REASON_LENGTH_MAX)
    ] = "",
) -> MonthEnd:
    """The statement is ready for a second person. `waiver` says why sheets stay uncounted.

    Raises ConflictError `month_not_open`, `month_not_over`, `sheets_open` (unless waived),
    `adjustments_undecided`, `book_moved_since`; InvalidError `too_long`.
    """
    month_end.refresh_from_db()
    _check_state(month_end, {_STATE.OPEN, _STATE.COUNTING}, "month_not_open")
    _check_length(waiver, "waiver")
    _check_over(month_end.books_month)
    waiver = waiver.strip()
    waiting = list(open_sheets(month_end.books_month).values_list("code", flat=True))
    if waiting and not waiver:
        raise refuse("sheets_open", field="waiver", value=", ".join(waiting))
    if undecided(month_end.books_month).exists():
        raise refuse("adjustments_undecided", field="month", value=str(month_end.books_month))
    _check_counts_fresh(month_end.books_month)
    month_end.state = _STATE.PREPARED
    month_end.prepared_by_id = act.who.pk
    month_end.prepared_at = clock.now()
    month_end.waiver = waiver if waiting else ""
    return _save(month_end, "prepared_by", "prepared_at", "waiver")


PREPARE: Final = Event(
    prepare_month,
    on=ON_MONTH,
    at="prepare",
    name="month-prepare",
    about="Say that a month's statement is ready for a second person.",
    title="The month is prepared",
    lead="From now on it is looked over and approved, by somebody else where there is one.",
    button="It is ready to approve",
    done="Prepared.",
    roles=OFFICE,
    when=None,
)


@recorded_once
def send_back_month(*, month_end: MonthEnd, act: Act) -> MonthEnd:
    """Takes a prepared or approved month back to counting. The act's note says why.

    Raises ConflictError `month_not_prepared`; InvalidError `empty`.
    """
    month_end.refresh_from_db()
    _check_state(month_end, {_STATE.PREPARED, _STATE.APPROVED}, "month_not_prepared")
    _check_reason(act.note, "note")
    _to_counting(month_end)
    return _save(month_end, *_SIGNED)


SEND_BACK: Final = Event(
    send_back_month,
    on=ON_MONTH,
    at="send-back",
    name="month-send-back",
    about="Take a prepared or approved month back to counting; the note says why.",
    title="Send the month back",
    button="Back to counting",
    done="It is back at counting.",
    roles=OFFICE,
    when=None,
    why="Why",
    needs_why=True,
)


@recorded_once
def close_month(*, month_end: MonthEnd, act: Act) -> MonthEnd:
    """Locks an approved month: no movement can be posted in it, or before it, from then on.

    Raises ConflictError `month_not_approved`, `month_not_over`, `earlier_month_open` (months close
    in order), `changed_since_approval` (the books no longer give the digest that was signed),
    `signing_key_open`, `signing_key_broken`. The statement is signed when the works has a key.
    """
    month_end.refresh_from_db()
    month = month_end.books_month
    _check_state(month_end, {_STATE.APPROVED}, "month_not_approved")
    _check_over(month)
    _check_earlier_closed(month)
    if not is_as_signed(month_end):
        raise refuse("changed_since_approval", field="month", value=str(month), month=month)
    month_end.state = _STATE.CLOSED
    month_end.closed_by_id = act.who.pk
    month_end.closed_at = clock.now()
    month.state = BooksMonth.State.CLOSED
    month.save(update_fields=["state"])
    _save(month_end, "closed_by", "closed_at")
    signed_with_key(month_end, act)
    return month_end


CLOSE: Final = Event(
    close_month,
    on=ON_MONTH,
    at="close",
    name="month-close",
    about="Lock an approved month: nothing can be posted in it, or before it, from then on.",
    title="Close the month",
    lead="No movement can be posted in it, or before it, from then on.",
    button="Close and lock it",
    done="Closed and locked.",
    roles=OFFICE,
    when=None,
)


@recorded_once
def reopen_month(
    *,
    month_end: MonthEnd,
    reason: Annotated[str, Asks("Why it is opened again", at_most=REASON_LENGTH_MAX)],
    act: Act,
) -> MonthEnd:
    """Opens the last closed month again; that, why and what was signed stay on record.

    Raises ConflictError `not_closed`, `later_month_closed`; InvalidError `empty`, `too_long`.
    """
    month_end.refresh_from_db()
    month = month_end.books_month
    _check_state(month_end, {_STATE.CLOSED}, "not_closed")
    _check_reason(reason, "reason")
    later = (
        BooksMonth.objects.filter(state=BooksMonth.State.CLOSED, first_day__gt=month.first_day)
        .order_by("-first_day")
        .first()
    )
    if later is not None:
        raise refuse(
            "later_month_closed", field="month", value=str(later), later=later, month=month
        )
    assert month_end.closed_at is not None
    assert month_end.closed_by_id is not None
    assert month_end.approved_by_id is not None
    MonthReopening.objects.create(
        month_end=month_end,
        reason=reason.strip(),
        reopened_by_id=act.who.pk,
        reopened_at=clock.now(),
        closed_by_id=month_end.closed_by_id,
        closed_at=month_end.closed_at,
        approved_by_id=month_end.approved_by_id,
        by_one_person=month_end.by_one_person,
        statement_digest=month_end.statement_digest,
    )
    _to_counting(month_end)
    month.state = BooksMonth.State.OPEN
    month.save(update_fields=["state"])
    return _save(month_end, *_SIGNED)


REOPEN: Final = Event(
    reopen_month,
    on=ON_MONTH,
    at="reopen",
    name="month-reopen",
    about="Open the last closed month again; that, why and what was signed stay on record.",
    title="Open the month again",
    lead="That, why, and what had been signed stay on record.",
    button="Open it again",
    done="Open again.",
    roles=OFFICE,
    when=None,
)


_SIGNED: Final = (
    "prepared_by",
    "prepared_at",
    "approved_by",
    "approved_at",
    "closed_by",
    "closed_at",
    "by_one_person",
    "waiver",
    "statement_digest",
)


def _to_counting(month_end: MonthEnd) -> None:
    """Takes every signature off."""
    month_end.state = _STATE.COUNTING
    month_end.prepared_by = month_end.approved_by = month_end.closed_by = None
    month_end.prepared_at = month_end.approved_at = month_end.closed_at = None
    month_end.waiver = month_end.statement_digest = ""
    month_end.by_one_person = False


def _save(month_end: MonthEnd, *fields: str) -> MonthEnd:
    month_end.version += 1
    month_end.save(update_fields=["state", "version", *fields])
    return month_end


def _check_state(month_end: MonthEnd, states: set[MonthEnd.State], code: str) -> None:
    if month_end.state not in states:
        wanted = " or ".join(sorted(state.label.lower() for state in states))
        raise ConflictError(
            f"{month_end} is {month_end.get_state_display().lower()}, not {wanted}.",
            code=code,
            field="month",
            value=str(month_end.books_month),
            remedy=f"This can be done while it is {wanted}.",
        )


def _check_over(month: BooksMonth) -> None:
    if clock.now() < month.ends_at:
        raise refuse("month_not_over", field="month", value=str(month), month=month)


def _check_counts_fresh(month: BooksMonth) -> None:
    stale = stale_lines(month)
    if stale:
        codes = ", ".join(sorted(line.lot.code for line in stale))
        raise refuse("book_moved_since:month_end", field="month", value=codes)


def _check_earlier_closed(month: BooksMonth) -> None:
    """Every month from the first movement on, or the opening could change underneath."""
    first = Movement.objects.aggregate(first=Min("occurred_at"))["first"]
    if first is None:
        return
    closed = set(
        BooksMonth.objects.filter(
            state=BooksMonth.State.CLOSED, first_day__lt=month.first_day
        ).values_list("first_day", flat=True)
    )
    earlier = local_day(first).replace(day=1)
    while earlier < month.first_day:
        if earlier not in closed:
            raise refuse(
                "earlier_month_open", field="month", value=f"{earlier:%Y-%m}", earlier=earlier
            )
        earlier = next_month(earlier)


def _check_reason(reason: str, field: str) -> None:
    if not reason.strip():
        raise refuse("empty:month_end", field=field)
    _check_length(reason, field)


def _check_length(text: str, field: str) -> None:
    if len(text) > REASON_LENGTH_MAX:
        raise refuse(
            "too_long:month_end", field=field, value=text, reason_length_max=REASON_LENGTH_MAX
        )
