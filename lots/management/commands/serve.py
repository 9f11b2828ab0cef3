"""Serves the site until it is told to stop, and does the daily chores meanwhile."""

from __future__ import annotations

import os
import threading
from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import Error, connection, connections

from config.commands import LedgerCommand
from config.refusals import RefusalError
from config.running.health import pending_migrations
from config.running.serving import log_as_served, serve
from lots.keeping import chores
from lots.keeping.backup_folder import back_up_verified
from lots.queries.set_up import tell_code

# How long a process waits for another that backs up or migrates.
_TURN_S_MAX = 600


class Command(LedgerCommand):
    help = __doc__
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        bind = os.environ.get("BIND", "127.0.0.1:8000")
        parser.add_argument("--bind", default=bind, help=f"Address to listen on ({bind}).")

    def handle(self, *args: Any, **options: Any) -> None:
        bind = options["bind"]
        self._bring_up_to_date()
        stopping = threading.Event()
        try:
            from config.wsgi import application  # noqa: PLC0415 - makes sure of its settings first

            log_as_served()
            serve(application, bind, lambda: self._begin(bind, stopping))
        except (ImproperlyConfigured, OSError, ValueError) as error:
            raise CommandError(f"Can't serve on {bind}: {error}") from error
        finally:
            stopping.set()

    def _bring_up_to_date(self) -> None:
        """Migrates a database of an older version, once a backup of it is safe."""
        if not pending_migrations():
            return
        try:
            with chores.alone(_TURN_S_MAX):
                if pending_migrations():  # else another process has done it meanwhile
                    self._migrate()
        except chores.ChoreError as error:
            raise CommandError(str(error)) from error
        connections.close_all()

    def _migrate(self) -> None:
        safe = ""
        if connection.introspection.table_names():
            try:
                safe = f" The backup made before is {back_up_verified(anywhere=True)}."
            except (RefusalError, OSError, Error) as error:
                raise CommandError(
                    "The database is of an older version and could not be backed up, so it is as "
                    f"it was and nothing is served. {chores.told(error)}"
                ) from error
        try:
            call_command("migrate", interactive=False, verbosity=0)
        except Error as error:
            raise CommandError(f"The database can't be migrated: {error}.{safe}") from error
        self.stdout.write(f"The database is of this version now.{safe}")

    def _begin(self, bind: str, stopping: threading.Event) -> None:
        tell_code()
        connections.close_all()
        threading.Thread(target=chores.go_on, args=[stopping], daemon=True).start()
        self.stdout.write(f"Serving http://{bind}/ until Ctrl-C.")
        self.stdout.flush()
