"""Prints a month's statement in grams and troy ounces, or writes it as CSV, JSON or a workbook."""

from __future__ import annotations

import io
import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.refusals import RefusalError
from reports.conventions import SIGN_CONVENTION, STATEMENT_SIGNS
from reports.exports.month_end import month_end_tables, statement_table
from reports.exports.statement_text import statement_text
from reports.exports.tables import as_json, write_csv
from reports.exports.workbook import save_workbook
from reports.queries.month.month_pack import month_pack
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import month_or_last_closed


class Command(LedgerCommand):
    help = "Prints the month-end statement of a month, as in: manage.py month_end 2026-05"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "month", nargs="?", default="", help="as in 2026-05; unless told, the last one closed"
        )
        parser.add_argument("--currency", default="", help="value losses in it, as in EUR")
        form = parser.add_mutually_exclusive_group()
        form.add_argument("--csv", action="store_true", help="the statement as CSV")
        form.add_argument("--json", action="store_true", help="every sheet as JSON")
        form.add_argument("--xlsx", metavar="PATH", type=Path, help="write the workbook there")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            period = month_or_last_closed(options["month"])
            if options["xlsx"] is not None or options["json"]:
                pack = month_pack(period, currency=options["currency"], with_estimate=True)
                tables = month_end_tables(pack)
            if options["xlsx"] is not None:
                save_workbook(tables, options["xlsx"])
                self.stdout.write(f"Written: {options['xlsx']}")
            elif options["json"]:
                data = {table.name: as_json(table) for table in tables}
                self.stdout.write(json.dumps(data, indent=1))
            elif options["csv"]:
                text = io.StringIO()
                write_csv(statement_table(month_statement(period)), text)
                self.stdout.write(text.getvalue(), ending="")
            else:
                self.stdout.write(statement_text(month_statement(period)))
                self.stdout.write(f"\n{SIGN_CONVENTION}\n{STATEMENT_SIGNS}")
        except RefusalError as refusal:
            raise CommandError(f"{refusal.message} {refusal.remedy}") from refusal
        except OSError as error:
            raise CommandError(f"The workbook can't be written: {error}") from error
