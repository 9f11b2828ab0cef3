"""Writes the API's description to the file that is kept of it, or says whether that is in step."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from config.api_description import KEPT_IN, as_text, described
from config.commands import LedgerCommand


class Command(LedgerCommand):
    help = __doc__
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--check", action="store_true", help="Write nothing; exit 1 if not.")

    def handle(self, *args: Any, **options: Any) -> None:
        text = as_text(described())
        if not options["check"]:
            KEPT_IN.write_text(text, "utf-8")
            self.stdout.write(f"Written: {KEPT_IN.relative_to(KEPT_IN.parents[1])}")
        elif not KEPT_IN.exists() or KEPT_IN.read_text("utf-8") != text:
            raise CommandError("The description kept is not the API's: run manage.py write_schema.")
