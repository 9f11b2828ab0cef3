"""Verifies a signed statement (JSON, workbook or PDF) against the works' public keys, offline."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand, check_migrated
from lots.keeping.saying import said_plainly
from lots.units import ug_to_g
from reports.queries.month.signed_file import GivenStatement, given_statement
from reports.queries.month.signed_statement import against_ledger
from reports.services.signing_key import ListedKey, list_path, listed_keys
from reports.signatures import fingerprint_of, holds


class Command(LedgerCommand):
    help = "Verifies a statement, as in: manage.py verify_statement month-end-2026-10.xlsx"
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--keys", type=Path, default=None, help="the works' signing_keys.json; else the own one"
        )
        parser.add_argument(
            "--ledger", action="store_true", help="also ask whether this database is that ledger"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["ledger"]:
            check_migrated()
        with said_plainly():
            given = given_statement(options["file"])
            keys = listed_keys(options["keys"] or list_path())
        key = next((each for each in keys if each.public_key == given.public_key), None)
        if not holds(given.public_key, given.content, given.signature):
            raise CommandError("The signature does not hold: the text was changed after signing.")
        if key is None:
            raise CommandError(
                f"The signature holds, but its key {fingerprint_of(given.public_key)} is none of "
                "the works' listed keys: anybody may have made it."
            )
        self._tell(given, key)
        found = against_ledger(given.figures()) if options["ledger"] else []
        for each in found:
            self.stdout.write(f"not this ledger: {each}")
        if found:
            raise CommandError("The statement holds, and the ledger has been rewritten since.")
        if options["ledger"]:
            self.stdout.write("The ledger is the one that was signed.")

    def _tell(self, given: GivenStatement, key: ListedKey) -> None:
        figures = given.figures()
        until = f" until {key.until}" if key.until else ""
        self.stdout.write(
            f"Signed by {figures.get('works')}, {figures.get('signed_at')}, key {key.fingerprint} "
            f"(in use since {key.since}{until})"
        )
        self.stdout.write(f"Month {figures.get('month')}; the figures signed, in grams:")
        for said in figures.get("approval", []):
            self.stdout.write(f"  {said}")
        for each in figures.get("metals", []):
            counted = each["counted_ug"]
            self.stdout.write(
                f"  {each['metal']}  opening {ug_to_g(each['opening_ug']):f}  "
                f"closing {ug_to_g(each['closing_ug']):f}"
                + ("" if counted is None else f"  counted {ug_to_g(counted):f}")
            )
        self.stdout.write("Compare them with what the document shows.")
