"""Restores a backup into a new database and compares; exits with 1 if anything differs."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from lots.keeping.backup_folder import readable
from lots.keeping.restore import verify_backup
from lots.keeping.saying import ask_passphrase, said_plainly


class Command(LedgerCommand):
    help = "Tries a backup in a new database, as in: manage.py verify_backup 2026-11-25.backup"
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        with said_plainly(), readable(options["file"], ask_passphrase) as plain:
            found = verify_backup(plain)
        told = found.restored
        for table in found.differing:
            self.stdout.write(f"differs: {table}")
        for check in found.unsound:
            self.stdout.write(f"not sound: {check}")
        if found.differing or found.unsound:
            raise CommandError("The backup does not give back what was backed up.")
        if not told.is_current:
            self.stdout.write(
                "The backup is of an older layout: its files are whole and it restores; its tables "
                "can be compared by the version that wrote it."
            )
            return
        self.stdout.write(
            f"The backup of {told.made_at} gives back what was backed up: {told.tables} tables and "
            f"{told.rows} rows with equal digests, {told.papers} papers whole, ledger sound up to "
            f"movement {told.ledger['last_sequence']}, digest {told.ledger['last_digest']}"
        )
