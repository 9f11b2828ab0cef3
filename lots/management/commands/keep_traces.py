"""Makes the kept traces that are due, so that no trace has to go through the whole of the books."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandParser

from config.commands import LedgerCommand
from lots.traces.keep_traces import forget_traces, keep_traces
from lots.traces.kept_traces import last_kept


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--from-scratch",
            action="store_true",
            help="Throw away what is kept and make all of it again.",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["from_scratch"]:
            forget_traces()
        made = keep_traces()
        last = last_kept()
        until = "" if last is None else f"; kept are {last}"
        self.stdout.write(f"Checkpoints made: {made}{until}.")
