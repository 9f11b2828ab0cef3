"""Puts a backup's database and papers in place of what is here, or changes nothing."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import call_command

from config.commands import LedgerCommand
from lots.keeping.backup_folder import readable
from lots.keeping.restore import restore_backup
from lots.keeping.saying import ask_passphrase, said_plainly


class Command(LedgerCommand):
    help = "Restores a backup, as in: manage.py restore_backup /safe/2026-11-25.backup"
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--overwrite", action="store_true", help="the rows that are here now may go"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        with said_plainly(), readable(options["file"], ask_passphrase) as plain:
            done = restore_backup(plain, overwrite=options["overwrite"])
        self.stdout.write(
            f"Restored the backup of {done.made_at}: {done.tables} tables, {done.rows} rows, "
            f"{done.papers} papers, up to movement {done.ledger['last_sequence']}."
        )
        if done.is_current:
            call_command("check_ledger", stdout=self.stdout)
        else:
            self.stdout.write("It is of an older layout: run migrate, then check_ledger.")
