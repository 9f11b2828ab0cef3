"""A month's statement and workbook, and whose metal it is, through the API."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers

from lots import clock
from lots.api.fields import by_code
from lots.models import Party
from reports.api.answers import PDF, ReportQuestion, ReportView, sent, temporary
from reports.api.losses import Losses, shown_losses
from reports.exports.month_end import claims_table, month_end_tables
from reports.exports.month_end_pdf import month_end_pdf
from reports.exports.tables import Table
from reports.queries.counts import CountFigure
from reports.queries.inventory import Inventory
from reports.queries.month.claims_statement import OwnerStatement
from reports.queries.month.month_pack import MonthPack, month_pack
from reports.queries.month.month_statement import AreaStatement, MetalStatement
from reports.queries.month.periods import Period, parse_month
from reports.queries.month.signed_statement import Signed


class MonthQuestion(ReportQuestion):
    recorded_as_of = serializers.DateTimeField(
        required=False,
        help_text="As the books, as recorded by this moment, said: all of them if left out.",
    )


class StatementQuestion(MonthQuestion):
    forms = (*MonthQuestion.forms, "pdf")
    currency = serializers.RegexField(
        r"^[A-Z]{3}\Z",
        required=False,
        default="",
        help_text="Values the losses at the prices entered in this currency (ISO 4217).",
    )
    with_estimate = serializers.BooleanField(
        required=False,
        default=False,
        help_text="Adds sheets of the best estimate, the doubts and the limits of error.",
    )


@dataclass(frozen=True)
class Month:
    """A month's statement with the losses and the owners' claims that belong to it.

    `difference` is book less physical: positive is an apparent loss, negative an apparent gain.
    """

    month: Period
    recorded: dt.datetime | None
    state: str
    statement_digest: str
    signed: Signed | None
    metals: tuple[MetalStatement, ...]
    areas: tuple[AreaStatement, ...]
    counts: tuple[CountFigure, ...]
    losses: Losses
    claims: tuple[OwnerStatement, ...]
    opening: Inventory
    closing: Inventory


class MonthReport(ReportView):
    """A month's statement: opening, what came and went, closing book, count and difference.

    As a workbook it has every sheet of the month's end, its totals live formulas; as a PDF the
    statement alone, with who closed it and, attached, what was signed.
    """

    asks = StatementQuestion
    shows = Month
    other_answers: ClassVar[dict[Any, Any]] = {
        **ReportView.other_answers,
        (200, PDF): OpenApiTypes.BINARY,
    }
    may_lag = True
    file_name = "month-end"

    def answer(self, asked: dict[str, Any], **path: Any) -> MonthPack:
        return month_pack(
            parse_month(path["month"]),
            currency=asked["currency"],
            recorded=asked.get("recorded_as_of"),
            with_estimate=asked["with_estimate"],
        )

    def shown(self, answered: MonthPack) -> Month:
        statement = answered.statement
        return Month(
            month=statement.period,
            recorded=statement.recorded,
            state=statement.state,
            statement_digest=statement.statement_digest,
            signed=answered.signed,
            metals=statement.metals,
            areas=statement.areas,
            counts=statement.counts,
            losses=shown_losses(answered.losses),
            claims=answered.claims,
            opening=statement.opening,
            closing=statement.closing,
        )

    def tables(self, answered: MonthPack) -> list[Table]:
        return month_end_tables(answered)

    def compose(self, asked: dict[str, Any], **path: Any) -> Any:
        if asked["as"] != "pdf":
            return super().compose(asked, **path)
        file = temporary()
        file.write(month_end_pdf(self.answer(asked, **path), made_at=clock.now()))
        return sent(file, f"{self.name_of(asked, **path)}.pdf", PDF)


class ClaimsQuestion(MonthQuestion):
    month = serializers.CharField(max_length=7, help_text="As in 2026-05.")
    owner = by_code(Party, required=False)


class ClaimsReport(ReportView):
    """Each owner's claim on the works' pool over a month, and their lots kept apart."""

    asks = ClaimsQuestion
    shows = {"month": Period, "claims": tuple[OwnerStatement, ...]}
    may_lag = True
    file_name = "claims"

    def answer(self, asked: dict[str, Any], **path: Any) -> MonthPack:
        period = parse_month(asked["month"])
        pack = month_pack(period, recorded=asked.get("recorded_as_of"))
        if "owner" not in asked:
            return pack
        code = asked["owner"].code
        return replace(pack, claims=tuple(each for each in pack.claims if each.owner == code))

    def shown(self, answered: MonthPack) -> Any:
        return {"month": answered.statement.period, "claims": answered.claims}

    def tables(self, answered: MonthPack) -> list[Table]:
        return [claims_table(answered)]
