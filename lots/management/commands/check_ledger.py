"""Proves the ledger sound over the whole database; exits with 1 and the offending rows if not."""

from __future__ import annotations

import datetime as dt
import json
import time
from typing import Any

from django.core.management.base import CommandError, CommandParser

from config.commands import LedgerCommand
from lots.ledger.ledger_checks import ROWS_SHOWN, CheckResult, all_checks, run_check
from lots.ledger.snapshot import snapshot


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="Print one JSON object instead.")
        parser.add_argument(
            "--rows", type=int, default=ROWS_SHOWN, help="Offending rows shown per check."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        outcomes = []
        with snapshot():
            for check in all_checks():
                started = time.perf_counter()
                result = run_check(check, options["rows"])
                outcome = _outcome(result, time.perf_counter() - started)
                outcomes.append(outcome)
                if not options["json"]:
                    self._print(outcome)
        failed = [outcome["name"] for outcome in outcomes if outcome["found"]]
        if options["json"]:
            self.stdout.write(json.dumps({"sound": not failed, "checks": outcomes}, indent=2))
        if failed:
            raise CommandError("The ledger is not sound: " + ", ".join(failed) + ".")
        if not options["json"]:
            self.stdout.write(f"The ledger is sound: {len(outcomes)} checks passed.")

    def _print(self, outcome: dict[str, Any]) -> None:
        verdict = f"{outcome['found']} FOUND" if outcome["found"] else "ok"
        self.stdout.write(
            f"{verdict:>9}  {outcome['name']}: {outcome['states']} "
            f"({outcome['examined']} rows, {outcome['seconds']:.2f} s)"
        )
        for row in outcome["rows"]:
            self.stdout.write(
                "           " + ", ".join(f"{name} {value}" for name, value in row.items())
            )
        if outcome["found"] > len(outcome["rows"]):
            self.stdout.write(f"           ... {outcome['found']} in all")


def _outcome(result: CheckResult, seconds: float) -> dict[str, Any]:
    return {
        "name": result.check.name,
        "states": result.check.states,
        "examined": result.examined,
        "found": result.found,
        "rows": [{name: _plain(value) for name, value in row.items()} for row in result.rows],
        "seconds": round(seconds, 3),
    }


def _plain(value: object) -> object:
    if isinstance(value, dt.datetime):
        return value.isoformat()
    if value is None or isinstance(value, str | int | bool):
        return value
    return str(value)
