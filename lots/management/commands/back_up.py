"""Writes one file with the whole database and every paper, while the works goes on."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import call_command

from config.commands import LedgerCommand
from lots.keeping.backup import back_up
from lots.keeping.saying import said_plainly, warn_of_missing


class Command(LedgerCommand):
    help = "Backs everything up to a new file, as in: manage.py back_up /safe/2026-11-25.backup"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("target", type=Path)
        parser.add_argument(
            "--verify", action="store_true", help="then restore it into a new database and compare"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        target = options["target"].absolute()
        with said_plainly():
            done = back_up(target)
        warn_of_missing(done.missing, self.stderr)
        self.stdout.write(
            f"Written: {target} ({done.rows} rows, {done.papers} papers, {done.bytes} bytes)"
        )
        if options["verify"]:
            call_command("verify_backup", target, stdout=self.stdout, stderr=self.stderr)
