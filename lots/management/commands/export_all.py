"""Writes everything on the books as open files (CSV, JSON Schema, papers) into a new folder."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from config.commands import LedgerCommand
from lots.keeping.folder_export import export_all
from lots.keeping.saying import said_plainly, warn_of_missing


class Command(LedgerCommand):
    help = "Exports everything into a new folder, as in: manage.py export_all /safe/2026-11-25"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument(
            "--with-secrets", action="store_true", help="password hashes, sessions and tokens too"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        with said_plainly():
            done = export_all(options["folder"], with_secrets=options["with_secrets"])
        warn_of_missing(done.missing, self.stderr)
        self.stdout.write(
            f"Written: {options['folder']} ({done.tables} tables, {done.rows} rows, "
            f"{done.files} papers, {done.bytes} bytes)"
        )
