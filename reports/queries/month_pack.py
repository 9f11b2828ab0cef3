"""All that the month-end workbook, its JSON and its page show, read in one go."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from lots.queries.snapshot import unmoving
from reports.queries.best_estimate import BestEstimate, best_estimate
from reports.queries.claims_statement import OwnerStatement, owner_statements
from reports.queries.difference_sequence import (
    DifferenceSequence,
    difference_sequences,
    month_books,
)
from reports.queries.losses import LossReport, losses
from reports.queries.month_statement import MonthStatement, month_statement
from reports.queries.movements_list import MovementRow, movement_rows
from reports.queries.periods import Period
from reports.queries.signed_statement import Signed, signed_month


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
