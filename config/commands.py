"""What every command of this project does first: it makes sure of its database."""

from __future__ import annotations

from typing import Any, Final

from django.core.management.base import BaseCommand, CommandError
from django.db import OperationalError, connection

from config.running.health import pending_migrations

_NO_DATABASE: Final = 2
_WHERE: Final = "or say by DATABASE_URL or DATA_DIR where the ledger is."


class LedgerCommand(BaseCommand):
    """A command that begins only where this version's tables are, unless it `begins_anywhere`.

    Where they are not, or the database fails meanwhile, one sentence says what to do and the exit
    code is 2.
    """

    begins_anywhere = False

    def execute(self, *args: Any, **options: Any) -> str | None:
        try:
            if not self.begins_anywhere:
                check_migrated()
            return super().execute(*args, **options)
        except OperationalError as error:
            words = (str(error).splitlines() or [type(error).__name__])[0]
            raise CommandError(
                f"The database {_name()} does not answer ({words}): have it started, {_WHERE}",
                returncode=_NO_DATABASE,
            ) from error


def check_migrated() -> None:
    """Ends the command when the database has not the tables of this version."""
    if missing := pending_migrations():
        raise CommandError(
            f"The database {_name()} lacks {len(missing)} of this version's migrations: run "
            f"manage.py migrate first, {_WHERE}",
            returncode=_NO_DATABASE,
        )


def _name() -> str:
    return str(connection.settings_dict["NAME"])
