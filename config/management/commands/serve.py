"""Serves the site until it is told to stop."""

from __future__ import annotations

import os
from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.running.serving import log_as_served, serve


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        bind = os.environ.get("BIND", "127.0.0.1:8000")
        parser.add_argument("--bind", default=bind, help=f"Address to listen on ({bind}).")

    def handle(self, *args: Any, **options: Any) -> None:
        bind = options["bind"]
        try:
            from config.wsgi import application  # noqa: PLC0415 - makes sure of its settings first

            log_as_served()
            serve(application, bind, lambda: self._tell(bind))
        except (ImproperlyConfigured, OSError, ValueError) as error:
            raise CommandError(f"Can't serve on {bind}: {error}") from error

    def _tell(self, bind: str) -> None:
        self.stdout.write(f"Serving http://{bind}/ until Ctrl-C.")
        self.stdout.flush()
