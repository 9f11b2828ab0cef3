"""`manage.py demo`: the whole job on an invented works, in one go."""

from __future__ import annotations

import io
import os
import secrets
import shutil
import subprocess
import sys
from argparse import ArgumentParser
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone

from config.commands import LedgerCommand
from config.refusals import RefusalError
from lots.models import BarRecord, DeliveryNote, Lot, Movement
from lots.queries.bar_list import bar_list
from lots.queries.works_zone import works_zone
from reports.demo.office import CURRENCY
from reports.demo.play import open_month_on, play
from reports.demo.wet_work import WetWork
from reports.exports.bar_list import write_bar_list_workbook
from reports.exports.delivery_note_pdf import delivery_note_pdf
from reports.exports.settlement_pdf import settlement_pdf
from reports.exports.settlement_workbook import write_settlement_workbook
from reports.models import Settlement
from reports.queries.lot.customer_view import delivery_shown
from reports.queries.lot.settlement_statement import settlement_statement
from reports.queries.month.periods import parse_first_day
from reports.services.signing_key import make_signing_key, private_key

SIGN_IN_AS: Final = "marit"
FOLDER: Final = "demo"


class Command(LedgerCommand):
    help = (
        "Builds the demo database in a folder of its own, prints the month-end reconciliation, "
        "writes the month-end workbooks, settlement statements, the bar list and a delivery note, "
        "and serves the site."
    )
    begins_anywhere = True

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="Stop after printing.")
        parser.add_argument("--port", type=int, default=8000, help="Port on 127.0.0.1 (8000).")
        parser.add_argument(
            "--month", default="", help="The open month, YYYY-MM; the latest possible unless told."
        )
        parser.add_argument(
            "--in-place",
            action="store_true",
            help="Use the configured database, which must hold no movement.",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["in_place"]:
            self._start_over_in_own_folder()
        story = self._build(options["month"])
        files = self._write(story)
        for month in story.months:
            self.stdout.write("")
            call_command("month_end", f"{month:%Y-%m}", stdout=self.stdout)
        self._say(files, options)
        if not options["no_serve"]:
            call_command("serve", bind=f"127.0.0.1:{options['port']}")

    def _start_over_in_own_folder(self) -> None:
        """Runs this command again with its data in a folder of its own, so settings agree."""
        folder = Path(settings.DATA_DIR) / FOLDER
        shutil.rmtree(folder, ignore_errors=True)
        environment = {"LOG_FORMAT": "text", "LOG_LEVEL": "WARNING", **os.environ}
        environment["DATA_DIR"] = str(folder)
        for name in ("DATABASE_URL", "SIGNING_KEY_FILE"):
            environment.pop(name, None)
        self.stdout.flush()
        command = [sys.executable, *sys.argv, "--in-place"]
        with suppress(KeyboardInterrupt):
            done = subprocess.run(command, env=environment, check=False)  # noqa: S603 - this again
            sys.exit(done.returncode)

    def _build(self, month: str) -> WetWork:
        call_command("migrate", verbosity=0)
        if Movement.objects.exists():
            raise CommandError(
                "The configured database holds movements already; the demo needs an empty one."
            )
        try:
            if private_key() is None:
                make_signing_key()
            today = timezone.localdate(timezone=works_zone())
            first_day = parse_first_day(month) if month else open_month_on(today)
            self.password = secrets.token_urlsafe(12)
            return play(first_day, self.password, self._tell)
        except RefusalError as error:
            raise CommandError(f"{error.message} {error.remedy}") from error

    def _tell(self, text: str) -> None:
        self.stdout.write(f"  .. {text}")
        self.stdout.flush()

    def _write(self, story: WetWork) -> list[tuple[str, Path]]:
        folder = Path(settings.DATA_DIR) / "out"
        folder.mkdir(parents=True, exist_ok=True)
        files = []
        for month in story.months[:2]:
            path = folder / f"month-end-{month:%Y-%m}.xlsx"
            call_command(
                "month_end", f"{month:%Y-%m}", xlsx=path, currency=CURRENCY, stdout=io.StringIO()
            )
            files.append((f"month-end workbook {month:%Y-%m}", path))
        for settlement in Settlement.objects.filter(kind=Settlement.Kind.FINAL).order_by("pk"):
            document = settlement_statement(settlement)
            base = folder / f"settlement-{settlement.code}"
            base.with_suffix(".pdf").write_bytes(settlement_pdf(document))
            with base.with_suffix(".xlsx").open("wb") as file:
                write_settlement_workbook(document, file)
            name = f"settlement statement {settlement.code} for {document.customer_name}"
            files += [(name, base.with_suffix(".pdf")), (name, base.with_suffix(".xlsx"))]
        return files + self._write_fine_metal(folder)

    def _write_fine_metal(self, folder: Path) -> list[tuple[str, Path]]:
        """The bars at the works as a workbook, and each delivery note as a PDF."""
        at_hand = BarRecord.objects.filter(struck_at=None, lot__state=Lot.State.AVAILABLE)
        listed = bar_list(at_hand.select_related("lot").order_by("metal", "mark"))
        path = folder / "bar-list.xlsx"
        with path.open("wb") as file:
            write_bar_list_workbook(listed, file)
        files = [(f"bar list, {len(listed.bars)} bars at the works", path)]
        for note in DeliveryNote.objects.select_related("party", "delivered_by").order_by("pk"):
            path = folder / f"delivery-note-{note.code}.pdf"
            path.write_bytes(delivery_note_pdf(delivery_shown(note)))
            files.append((f"delivery note {note.code} to {note.party}", path))
        return files

    def _say(self, files: list[tuple[str, Path]], options: dict[str, Any]) -> None:
        self.stdout.write("\nWritten:")
        for name, path in files:
            self.stdout.write(f"  {name}: {path}")
        self.stdout.write(f"\nDatabase: {connection.settings_dict['NAME']}")
        self.stdout.write(f"Other commands work on it with DATA_DIR={settings.DATA_DIR}")
        self.stdout.write(
            f"Sign in as {SIGN_IN_AS} (manager), joss (operator), pia (assayer), odell "
            "(accountant), isolde or dane\n  (customers); the password of this demo is "
            f"{self.password}"
        )
