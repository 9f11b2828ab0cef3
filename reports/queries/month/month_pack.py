"""All that the month-end workbook, its JSON and its page show, read in one go."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from lots.ledger.snapshot import unmoving
from lots.models import Party
from reports.models import MonthEnd
from reports.queries.month.best_estimate import BestEstimate, best_estimate
from reports.queries.month.claims_statement import OwnerStatement, owner_statements
from reports.queries.month.difference_sequence import (
    DifferenceSequence,
    difference_sequences,
    month_books,
)
from reports.queries.month.losses import LossReport, losses
from reports.queries.month.month_statement import MonthStatement, month_statement
from reports.queries.month.periods import Period
from reports.queries.month.signed_statement import Signed, signed_month
from reports.queries.movements_list import MovementRow, movement_rows


@dataclass(frozen=True)
class StepTaken:
    """A step of the close: who took it and when."""

    name: str
    who: str
    at: dt.datetime
    note: str = ""


@dataclass(frozen=True)
class MonthPack:
    """The month's statement with what it rests on. Movements are read when asked for.

    `estimate` and `differences` are there when they were asked for.
    """

    statement: MonthStatement
    losses: LossReport
    claims: tuple[OwnerStatement, ...]
    recorded: dt.datetime | None
    signed: Signed | None
    estimate: BestEstimate | None = None
    differences: tuple[DifferenceSequence, ...] = ()

    def movements(self) -> Iterator[MovementRow]:
        period = self.statement.period
        return movement_rows(period.starts_at, period.ends_at, self.recorded)

    def house(self) -> str:
        """The works' name."""
        house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
        return house.name if house else ""

    def steps(self) -> list[StepTaken]:
        """Who prepared, approved and closed the month, so far as it has come."""
        month_end = (
            MonthEnd.objects.filter(books_month__first_day=self.statement.period.first_day)
            .select_related("prepared_by", "approved_by", "closed_by")
            .first()
        )
        if month_end is None:
            return []
        waiver = f"Sheets left uncounted: {month_end.waiver}" if month_end.waiver else ""
        steps = (
            ("Prepared", month_end.prepared_by, month_end.prepared_at, waiver),
            ("Approved", month_end.approved_by, month_end.approved_at, ""),
            ("Closed", month_end.closed_by, month_end.closed_at, ""),
        )
        return [
            StepTaken(name, who.get_username(), at, note)
            for name, who, at, note in steps
            if who is not None and at is not None
        ]


@unmoving
def month_pack(
    period: Period,
    *,
    currency: str = "",
    recorded: dt.datetime | None = None,
    with_estimate: bool = False,
) -> MonthPack:
    """Reads a month. Losses are valued when `currency` is given.

    `with_estimate` reconciles it too and tests its differences, which takes longer.
    """
    statement = month_statement(period, recorded)
    books = month_books(period, recorded) if with_estimate else None
    return MonthPack(
        statement=statement,
        losses=losses(period.starts_at, period.ends_at, currency=currency, recorded=recorded),
        claims=owner_statements(period, statement.opening, statement.closing, recorded=recorded),
        recorded=recorded,
        signed=signed_month(period),
        estimate=best_estimate(period, recorded, books=books) if with_estimate else None,
        differences=(
            difference_sequences(period, recorded=recorded, books=books) if with_estimate else ()
        ),
    )
