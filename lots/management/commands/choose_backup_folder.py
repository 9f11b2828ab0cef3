"""Says to which folder of this machine the daily backups go, and shows their passphrase once."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from config.commands import LedgerCommand
from lots.keeping.backup_folder import choice, choose_folder, proposed_passphrase
from lots.keeping.saying import said_plainly


class Command(LedgerCommand):
    help = "As in: manage.py choose_backup_folder /media/stick/backups"
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder")
        which = parser.add_mutually_exclusive_group()
        which.add_argument("--plain", action="store_true", help="do not encrypt from now on")
        which.add_argument("--new-passphrase", action="store_true", help="take another one")

    def handle(self, *args: Any, **options: Any) -> None:
        passphrase = None
        if options["plain"]:
            passphrase = ""
        elif options["new_passphrase"] or not choice().passphrase:
            passphrase = proposed_passphrase()
        with said_plainly():
            chosen = choose_folder(options["folder"], passphrase=passphrase, by="manage.py")
        if passphrase:
            self.stderr.write("Write the passphrase down: without it nobody reads the backups.")
            self.stdout.write(passphrase)
        elif chosen.passphrase:
            self.stderr.write("Encrypted under the passphrase as before.")
        else:
            self.stderr.write("Not encrypted: whoever has the folder reads the books.")
