"""Writes one of the workbooks: inventory, lots, losses, a month's end, a count form."""

from __future__ import annotations

import datetime as dt
from argparse import ArgumentParser
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from config.commands import LedgerCommand
from config.refusals import RefusalError
from lots.ledger.holdings import AsOf
from lots.queries.works_zone import works_zone
from reports.exports.count_form import count_form_table
from reports.exports.inventory import inventory_tables
from reports.exports.losses import loss_tables
from reports.exports.lot_balances import lot_balances_table
from reports.exports.month_end import month_end_tables
from reports.exports.tables import Table
from reports.exports.workbook import save_workbook
from reports.models import CountSheet
from reports.queries.count_sheets import blind_lines
from reports.queries.inventory import inventory
from reports.queries.lot.lot_sheet import every_lot_balance
from reports.queries.month.losses import losses
from reports.queries.month.month_pack import month_pack
from reports.queries.month.periods import parse_month

KINDS = ("inventory", "lots", "losses", "month-end", "count-form")


class Command(LedgerCommand):
    help = "Writes a workbook, as in: manage.py export_workbook losses losses.xlsx --from 2026-04"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("workbook", choices=KINDS)
        parser.add_argument("path", type=Path)
        parser.add_argument("--as-of", default="", help="for inventory and lots: a moment, ISO")
        parser.add_argument("--from", dest="first", default="", help="for losses: the first month")
        parser.add_argument("--month", default="", help="for month-end; for losses: the last month")
        parser.add_argument("--currency", default="", help="value losses in it, as in EUR")
        parser.add_argument("--sheet", default="", help="for count-form: the sheet's code")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            tables = _tables(options)
            save_workbook(tables, options["path"])
        except RefusalError as refusal:
            raise CommandError(f"{refusal.message} {refusal.remedy}") from refusal
        except OSError as error:
            raise CommandError(f"The workbook can't be written: {error}") from error
        self.stdout.write(f"Written: {options['path']}")


def _tables(options: dict[str, Any]) -> Sequence[Table]:
    kind = options["workbook"]
    if kind == "inventory":
        return inventory_tables(inventory(_as_of(options["as_of"])))
    if kind == "lots":
        as_of = _as_of(options["as_of"])
        return [lot_balances_table(every_lot_balance(as_of), as_of)]
    if kind == "losses":
        last = parse_month(options["month"])
        first = parse_month(options["first"]) if options["first"] else last
        return loss_tables(losses(first.starts_at, last.ends_at, currency=options["currency"]))
    if kind == "month-end":
        period = parse_month(options["month"])
        pack = month_pack(period, currency=options["currency"], with_estimate=True)
        return month_end_tables(pack)
    sheet = CountSheet.objects.select_related("place").filter(code=options["sheet"]).first()
    if sheet is None:
        raise CommandError("There is no count sheet of this code. Give --sheet its code.")
    return [count_form_table(sheet, blind_lines(sheet))]


def _as_of(text: str) -> AsOf:
    if not text:
        return AsOf()
    try:
        moment: dt.datetime | None = parse_datetime(text)
    except ValueError:
        moment = None
    if moment is None:
        raise CommandError("Give the moment as in 2026-04-30T17:00+01:00.")
    if timezone.is_naive(moment):
        moment = timezone.make_aware(moment, works_zone())
    return AsOf(moment)
