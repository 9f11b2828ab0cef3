"""Keeps the weighings that a balance sends over a serial line, or that stand in a file of lines.

Name a lot with --lot, or scan its label into the same lines: its next steady weight is kept.
"""

from __future__ import annotations

import io
import re
import secrets
import sys
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any, Final

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.refusals import RefusalError, refuse
from lots.codes import parse_code
from lots.display import both
from lots.ledger.recording import Act
from lots.measurements.scale_lines import LINE_LENGTH_MAX, PLAIN, compiled
from lots.measurements.scale_readings import Scale, Told, keep_readings
from lots.models import Balance, Lot, Weighing
from lots.people.acting import acting_person
from lots.units import parse_mass

READ_BYTES: Final = 65_536
_ENDS: Final = re.compile(rb"[\r\n]+")


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", nargs="?", help="a file of lines, or - for standard input")
        parser.add_argument("--device", help="a serial device or any address pyserial takes")
        parser.add_argument("--baud", type=int, default=9600)
        parser.add_argument("--balance", required=True, help="the code of the balance")
        parser.add_argument("--as", dest="who", required=True, help="the sign-in name it is by")
        parser.add_argument("--lot", help="keep the first steady weight of this lot, then end")
        parser.add_argument("--purpose", default="check", choices=Weighing.Purpose.values)
        parser.add_argument("--tare", default="", help='of the vessel, as in "140.2 g"')
        parser.add_argument("--unit", default="", help="of lines that name none")
        parser.add_argument("--pattern", default=PLAIN, help="a regular expression of the lines")

    def handle(self, *args: Any, **options: Any) -> None:
        if bool(options["file"]) == bool(options["device"]):
            raise CommandError("Name a file (or - for standard input), or a --device.")
        # Lines of a device are new at every start; those of a file are the same at every reading.
        key = secrets.token_hex(8) if options["device"] else ""
        refused = 0
        with ExitStack() as stack:
            try:
                act = Act(who=acting_person(options["who"]), key=key)
                scale = _scale(options)
                lot = _lot(options["lot"]) if options["lot"] else None
                lines = _lines(self._source(options, stack))
            except RefusalError as refusal:
                raise CommandError(f"{refusal.message} {refusal.remedy}") from refusal
            except OSError as error:
                raise CommandError(f"The lines can't be read: {error}") from error
            try:
                for told in keep_readings(lines, scale, act, lot=lot):
                    refused += isinstance(told, RefusalError)
                    self._tell(told)
                    if lot is not None and isinstance(told, Weighing):
                        break
            except KeyboardInterrupt:
                self.stdout.write("stopped")
            except OSError as error:
                raise CommandError(f"The line is gone: {error}") from error
        if refused:
            raise CommandError(f"{refused} lines were refused; the others stand.")

    def _source(self, options: dict[str, Any], stack: ExitStack) -> Callable[[], bytes]:
        """Reads what has come so far, waiting for the first of it; empty at the end."""
        if options["device"]:
            try:
                import serial  # noqa: PLC0415 - wanted only where a balance is plugged in
            except ImportError as error:
                raise CommandError("Serial lines need: pip install '.[scale]'") from error
            device = stack.enter_context(
                serial.serial_for_url(options["device"], baudrate=options["baud"])
            )
            return lambda: device.read(max(1, device.in_waiting))
        is_piped = options["file"] == "-"
        source = sys.stdin.fileno() if is_piped else options["file"]
        file = stack.enter_context(io.FileIO(source, closefd=not is_piped))
        return lambda: file.read(READ_BYTES) or b""

    def _tell(self, told: Told) -> None:
        if isinstance(told, Lot):
            self.stdout.write(f"lot {told.code}: waiting for a steady weight")
        elif isinstance(told, Weighing):
            self.stdout.write(f"lot {told.lot.code}: weighing {told.pk}, {both(told.net_ug)}")
        else:
            self.stderr.write(f"refused: {told.message} {told.remedy}")
        self.stdout.flush()


def _lines(read: Callable[[], bytes]) -> Iterator[str]:
    """Lines as they end, by CR, LF or both; a line without an end is cut, not waited for."""
    kept = b""
    while some := read():
        *whole, kept = _ENDS.split(kept + some)
        yield from (line.decode("ascii", "replace") for line in whole if line)
        kept = kept[:LINE_LENGTH_MAX]
    if kept:
        yield kept.decode("ascii", "replace")


def _scale(options: dict[str, Any]) -> Scale:
    balance = Balance.objects.filter(code=options["balance"]).first()
    if balance is None:
        raise refuse("unknown_balance", field="balance", value=options["balance"])
    tare_ug = parse_mass(options["tare"], field="tare").mass_ug if options["tare"] else 0
    pattern = compiled(options["pattern"])
    return Scale(balance, pattern, options["unit"], tare_ug, options["purpose"])


def _lot(text: str) -> Lot:
    code = str(parse_code(text, field="lot"))
    lot = Lot.objects.filter(code=code).first()
    if lot is None:
        raise refuse("unknown", field="lot", value=code)
    return lot
