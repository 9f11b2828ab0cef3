"""How fast a sheet is imported: read, checked in slices, recorded whole; rows a second.

    python tests/bench/bench_import.py --rows 10000 [--database postgres://...]

Beside recording stands the same rows recorded by calling their service in a loop of one
transaction, so that what the import itself adds is a ratio of the same run.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.throwaway import database, in_child

ON_CPU = ", s of this process's CPU"


def main() -> int:
    options = _options()
    if options.one:
        sys.stdout.write(json.dumps(_measure(options.rows)))
        return 0
    with database(options.database) as url:
        found = in_child(__file__, ["--one", "--rows", str(options.rows)], url)
    for name, value in found.items():
        sys.stdout.write(f"{name:<58}{value:>12,.2f}\n")
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--database", default="", help="A PostgreSQL server, by any database.")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


def _workbook(rows: int) -> bytes:
    """Lots received, all invented."""
    from openpyxl import Workbook  # noqa: PLC0415

    book = Workbook(write_only=True)
    sheet = book.create_sheet("Invented")
    sheet.append(
        ["Brought by", "Form", "Place", "When", "Gross, g", "Tare, g", "Balance", "Silver, ‰",
         "Copper, ‰", "Note"]
    )  # fmt: skip
    for number in range(rows):
        sheet.append(
            ["brackwater", "Feed", "feed-shelf", "2026-05-04 09:30", 1000 + number / 10, 5.5,
             "bench", 925, 75, f"row {number}"]
        )  # fmt: skip
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _measure(rows: int) -> dict[str, float]:
    import django  # noqa: PLC0415 the settings come from the environment made above

    django.setup()
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connection, transaction  # noqa: PLC0415
    from django.test.utils import CaptureQueriesContext  # noqa: PLC0415

    from lots import clock  # noqa: PLC0415
    from lots.ledger.recording import Act  # noqa: PLC0415
    from lots.models import Lot  # noqa: PLC0415
    from lots.services.receipt import receive_lot  # noqa: PLC0415
    from lots.sheets import drafts  # noqa: PLC0415
    from lots.sheets.record import record_import  # noqa: PLC0415
    from tests.builders import receipt_of  # noqa: PLC0415
    from tests.conftest import MORNING, build_works  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    works = build_works()
    found: dict[str, float] = {}
    content = _workbook(rows)
    with clock.at(MORNING.replace(hour=18)):
        act = Act(who=works.manager)

        def timed(name: str, work: Any) -> Any:
            began, on_cpu = time.perf_counter(), time.process_time()
            result = work()
            found[f"{name}, s"] = time.perf_counter() - began
            found[f"{name}{ON_CPU}"] = time.process_time() - on_cpu
            return result

        sent = drafts.Sent(content, "file", "invented.xlsx")
        draft = timed(
            "read the workbook and keep it",
            lambda: drafts.begin_import(subject="receipts", sent=sent, act=act),
        )
        draft = timed(
            "lay it out",
            lambda: drafts.lay_out(draft=draft, layout=drafts.layout_of(draft)),
        )
        slices: list[float] = []
        on_cpu = time.process_time()
        while draft.state == "checking":
            began = time.perf_counter()
            draft = drafts.check_slice(draft=draft, act=act)
            slices.append(time.perf_counter() - began)
        assert not draft.findings["problems"], draft.findings["problems"][:3]
        found["check, s"] = sum(slices)
        found[f"check{ON_CPU}"] = time.process_time() - on_cpu
        found["check: the longest slice, s"] = max(slices)
        found["check, rows/s"] = rows / sum(slices)
        timed("record", lambda: drafts.record_draft(draft=draft, act=act))
        found["record, rows/s"] = rows / found["record, s"]
        assert Lot.objects.count() == rows
        weight = receipt_of(works)

        def by_hand() -> None:
            with transaction.atomic():
                for _ in range(rows):
                    receive_lot(receipt=weight, act=act)

        timed("the same service called in one transaction", by_hand)
        found["recording an import / calling the service, of CPU"] = (
            found[f"record{ON_CPU}"] / found[f"the same service called in one transaction{ON_CPU}"]
        )
        few = drafts.begin_import(
            subject="receipts",
            sent=drafts.Sent(_workbook(100), "file", "few.xlsx"),
            act=act,
        )
        few = drafts.lay_out(draft=few, layout=drafts.layout_of(few))
        with CaptureQueriesContext(
            connection,
        ) as statements:
            record_import(upload=drafts.upload_of(few), act=act)
        found["SQL statements a row"] = len(statements) / 100
    return found


if __name__ == "__main__":
    raise SystemExit(main())
