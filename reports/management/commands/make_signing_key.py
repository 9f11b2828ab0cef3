"""Makes the works' key for signing statements and prints its public half."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from config.commands import LedgerCommand
from lots.keeping.saying import said_plainly
from reports.services.signing_key import key_path, list_path, make_signing_key


class Command(LedgerCommand):
    help = "Makes a private key in SIGNING_KEY_FILE; months closed from then on are signed."
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--replace", action="store_true", help="destroy the key in use and make another"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        with said_plainly():
            made = make_signing_key(replace=options["replace"])
        self.stdout.write(f"Private key: {key_path()} (keep a copy where only you can read it)")
        self.stdout.write(f"Public keys: {list_path()} (give it to whoever is to verify)")
        self.stdout.write(f"Public key:  {made.public_key}")
        self.stdout.write(f"Fingerprint: {made.fingerprint}")
