"""Seals the rows that wait for it; with a reason, also rows that no request recorded so."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError
from django.db import transaction

from config.commands import LedgerCommand
from lots.ledger.recording import lock_ledger
from lots.ledger.seal_findings import rows_not_as_sealed
from lots.ledger.sealing import accept_rows, seal_waiting
from lots.models import SealedRow


class Command(LedgerCommand):
    help = (
        "Seals what waits: records of reading, and tables that are sealed from this version on. "
        "Run it after migrate and once a day."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--accept",
            metavar="REASON",
            default="",
            help="also seal, as they stand, rows changed or added by hand; the reason stays",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        reason = options["accept"].strip()
        if len(reason) > 300:
            raise CommandError("The reason is longer than 300 characters.")
        with transaction.atomic():
            lock_ledger()
            seals = [seal_waiting()]
            if reason:
                found = [
                    (str(row["table"]), int(str(row["row_id"])))
                    for row in rows_not_as_sealed()
                    if row["found"] != "missing"
                ]
                for table, row_id in found:
                    self.stdout.write(f"accepted: {table} row {row_id}")
                seals.append(accept_rows(found, reason))
        made = [seal for seal in seals if seal is not None]
        for seal in made:
            rows = SealedRow.objects.filter(seal=seal).count()
            self.stdout.write(f"Seal {seal.pk} over {rows} rows, digest {seal.digest}")
        if not made:
            self.stdout.write("Nothing waits to be sealed.")
