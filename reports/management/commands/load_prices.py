"""Enters a CSV table of metal prices: from_date, metal, per_unit, price, currency, source."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.refusals import RefusalError
from lots.ledger.recording import Act
from lots.people.acting import acting_person
from lots.people.roles import OFFICE
from reports.services.price_import import load_prices


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", help="the CSV file, or - for standard input")
        parser.add_argument("--as", dest="who", required=True, help="the sign-in name it is by")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            content = (
                sys.stdin.buffer.read()
                if options["file"] == "-"
                else Path(options["file"]).read_bytes()
            )
            act = Act(who=acting_person(options["who"], OFFICE))
            loaded = load_prices(content=content, act=act)
        except OSError as error:
            raise CommandError(f"The file can't be read: {error}") from error
        except RefusalError as refusal:
            problem = refusal.as_problem()
            for row in problem.get("problems", ()):
                self.stderr.write(f"{row['field']}: {row['message']} {row['remedy']}")
            raise CommandError(f"{problem['message']} {problem['remedy']}") from refusal
        self.stdout.write(
            f"{loaded.recorded} prices recorded, {loaded.already_there} were there already"
        )
