"""Reads an export of everything into this empty database, and proves it identical and sound."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import call_command

from config.commands import LedgerCommand
from lots.keeping.folder_import import import_all
from lots.keeping.saying import said_plainly


class Command(LedgerCommand):
    help = "Imports into an empty database, as in: manage.py import_all /safe/2026-11-25"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        with said_plainly():
            done = import_all(options["folder"])
        self.stdout.write(
            f"Imported: {done.tables} tables, {done.rows} rows, {done.files} papers; "
            "every table has the digest it was exported with."
        )
        call_command("check_ledger", stdout=self.stdout)
