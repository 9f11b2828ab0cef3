"""Does the daily chores that are still to do today: for cron or a timer; 1 when one failed."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from lots.keeping.chores import run_due


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--again", action="store_true", help="Do all of them, though they were done today."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        ran = run_due(again=options["again"])
        if ran is None:
            self.stdout.write("Another process is at them now.")
            return
        for name, each in ran.items():
            verdict = "ok" if each.is_well else "FAILED"
            self.stdout.write(f"{verdict:>6}  {name} {each.tried_at:%Y-%m-%d %H:%M}: {each.said}")
        if failed := [name for name, each in ran.items() if not each.is_well]:
            raise CommandError(f"Not done: {', '.join(failed)}.")
