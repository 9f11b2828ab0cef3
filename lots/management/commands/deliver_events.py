"""Sends subscribers the events that are due: once (from a timer), or on and on with --loop."""

from __future__ import annotations

import signal
import threading
from argparse import ArgumentParser
from collections import Counter
from typing import Any

from django.db import OperationalError, close_old_connections

from config.commands import LedgerCommand
from lots.feed.event_delivery import deliver_due


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--loop", action="store_true", help="Go on until SIGTERM or Ctrl-C.")
        parser.add_argument("--every", type=float, default=5.0, help="Seconds between rounds (5).")

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["loop"]:
            self._tell(deliver_due())
            return
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        while not stop.is_set():
            try:
                outcome = deliver_due()
            except OperationalError as error:
                self.stderr.write(f"the database does not answer: {type(error).__name__}")
            else:
                if outcome:
                    self._tell(outcome)
            close_old_connections()
            stop.wait(options["every"])

    def _tell(self, outcome: Counter[str]) -> None:
        self.stdout.write(
            f"delivered {outcome['delivered']}, failed {outcome['failed']}, "
            f"given up {outcome['given_up']}"
        )
