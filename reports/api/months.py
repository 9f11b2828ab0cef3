"""A month's statement and workbook, and whose metal it is, through the API."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any, Final

from rest_framework import serializers

from lots import clock
from lots.api.fields import by_code
from lots.api.questions import RECORDED_AS_OF
from lots.api.records import Shown
from lots.models import Party
from reports.api.answers import CURRENCY, ReportView
from reports.api.losses import LOSSES_SHOWN
from reports.exports.month_end import claims_tables, month_end_tables
from reports.exports.month_end_pdf import month_end_pdf
from reports.queries.counts import CountFigure
from reports.queries.inventory import Inventory
from reports.queries.month.claims_statement import OwnerStatement
from reports.queries.month.month_pack import MonthPack, month_pack
from reports.queries.month.month_statement import AreaStatement, MetalStatement
from reports.queries.month.periods import Period, parse_month
from reports.queries.month.signed_statement import Signed

MONTH: Final = Shown(
    """A month's statement with the losses and the owners' claims that belong to it.

`difference` is book less physical: positive is an apparent loss, negative an apparent gain.
`approval` says where one person did what otherwise takes two.""",
    {
        "month": (Period, "statement.period"),
        "recorded": (dt.datetime | None, "statement.recorded"),
        "state": (str, "statement.state"),
        "statement_digest": (str, "statement.statement_digest"),
        "approval": (tuple[str, ...], "statement.approval"),
        "signed": Signed | None,
        "metals": (tuple[MetalStatement, ...], "statement.metals"),
        "areas": (tuple[AreaStatement, ...], "statement.areas"),
        "counts": (tuple[CountFigure, ...], "statement.counts"),
        "losses": LOSSES_SHOWN,
        "claims": tuple[OwnerStatement, ...],
        "opening": (Inventory, "statement.opening"),
        "closing": (Inventory, "statement.closing"),
    },
)


class MonthReport(ReportView):
    """A month's statement: opening, what came and went, closing book, count and difference.

    As a workbook it has every sheet of the month's end, its totals live formulas; as a PDF the
    statement alone, with who closed it and, attached, what was signed.
    """

    asks = {
        "recorded_as_of": RECORDED_AS_OF,
        "currency": CURRENCY,
        "with_estimate": serializers.BooleanField(
            required=False,
            default=False,
            help_text="Adds sheets of the best estimate, the doubts and the limits of error.",
        ),
    }
    shows = MONTH
    forms = (*ReportView.forms, "pdf")
    may_lag = True
    file_name = "month-end"
    tables_of = month_end_tables
    written_as = {"pdf": lambda pack, file: file.write(month_end_pdf(pack, made_at=clock.now()))}

    def answer(self, asked: dict[str, Any], **path: Any) -> MonthPack:
        return month_pack(
            parse_month(path["month"]),
            currency=asked["currency"],
            recorded=asked.get("recorded_as_of"),
            with_estimate=asked["with_estimate"],
        )


class ClaimsReport(ReportView):
    """Each owner's claim on the works' pool over a month, and their lots kept apart."""

    asks = {
        "recorded_as_of": RECORDED_AS_OF,
        "month": serializers.CharField(max_length=7, help_text="As in 2026-05."),
        "owner": by_code(Party, required=False),
    }
    shows = {"month": (Period, "statement.period"), "claims": tuple[OwnerStatement, ...]}
    may_lag = True
    file_name = "claims"
    tables_of = claims_tables

    def answer(self, asked: dict[str, Any], **path: Any) -> MonthPack:
        period = parse_month(asked["month"])
        pack = month_pack(period, recorded=asked.get("recorded_as_of"))
        if "owner" not in asked:
            return pack
        code = asked["owner"].code
        return replace(pack, claims=tuple(each for each in pack.claims if each.owner == code))
