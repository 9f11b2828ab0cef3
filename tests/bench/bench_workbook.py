"""How long a workbook of many rows takes beside openpyxl's write-only mode alone, and in how much
memory: ratios of processor time in the same run.

    python tests/bench/bench_workbook.py --rows 10000 100000
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

ROOT = Path(__file__).resolve().parents[2]
START = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
TARGET = 1.5


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rows", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument(
        "--one", choices=["ours", "formatted", "values"], default="", help=argparse.SUPPRESS
    )
    options = parser.parse_args()
    if options.one:
        write = {"ours": _ours, "formatted": _formatted, "values": _values}[options.one]()
        with tempfile.TemporaryFile() as file:
            started = time.process_time()
            write(options.rows[0], file)
            mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            sys.stdout.write(f"{time.process_time() - started} {mib}")
        return 0
    for rows in options.rows:
        names = ("ours", "formatted", "values")
        ours, formatted, values = (_in_child(rows, which) for which in names)
        ratio = ours[0] / formatted[0]
        verdict = "within" if ratio <= TARGET else "ABOVE"
        sys.stdout.write(
            f"{rows:,} rows of 9 cells: {ratio:.2f} times write-only mode alone with the same "
            f"formats ({verdict} the target of {TARGET}), {ours[0] / values[0]:.2f} times bare "
            f"values; peak {ours[1]:.0f} MiB beside {formatted[1]:.0f} MiB\n"
        )
    return 0


def _in_child(rows: int, which: str) -> tuple[float, float]:
    command = [sys.executable, __file__, "--one", which, "--rows", str(rows)]
    best = (float("inf"), 0.0)
    for _ in range(2):
        answer = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        seconds, mib = (float(word) for word in answer.stdout.split())
        best = min(best, (seconds, mib))
    return best


def _rows(count: int) -> Iterator[dict[str, Any]]:
    for number in range(count):
        yield {
            "lot": f"GR26-{number:06d}-K",
            "when": START + dt.timedelta(minutes=number),
            "metal": "Ag" if number % 2 else "Cu",
            "form": "granules",
            "came": number * 1000 + 7,
            "went": number * 999,
            "note": "A note of the day.",
        }


def _ours() -> Callable[[int, Any], None]:
    import django  # noqa: PLC0415 the yardstick shall not pay for it

    django.setup()
    from reports.exports.tables import Column, Kind, Table  # noqa: PLC0415
    from reports.exports.workbook import write_workbook  # noqa: PLC0415

    columns = [
        Column("lot", "Lot"),
        Column("when", "When", Kind.MOMENT),
        Column("metal", "Metal"),
        Column("form", "Form"),
        Column("came", "Came in", Kind.MASS, is_totalled=True),
        Column("went", "Went out", Kind.MASS, is_totalled=True),
        Column("note", "Note"),
    ]

    def write(count: int, file: Any) -> None:
        write_workbook([Table("Rows", "Rows", columns, _rows(count), total_by="metal")], file)

    return write


def _formatted() -> Callable[[int, Any], None]:
    return lambda count, file: _alone(count, file, {"m": "#,##0.000000", "d": "yyyy-mm-dd hh:mm"})


def _values() -> Callable[[int, Any], None]:
    return lambda count, file: _alone(count, file, {})


def _alone(count: int, file: Any, formats: dict[str, str]) -> None:
    """The same cells by the library's own means; those of a kind in `formats` with its format."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet()

    def cell(value: Any, kind: str) -> Any:
        if kind not in formats:
            return value
        made = WriteOnlyCell(sheet, value=value)
        made.number_format = formats[kind]
        return made

    for at, row in enumerate(_rows(count), 1):
        came, went = row["came"] / 1e6, row["went"] / 1e6
        masses = [came, f"=ROUND(E{at}/31.1034768,6)", went, f"=ROUND(G{at}/31.1034768,6)"]
        moment = cell(row["when"].replace(tzinfo=None), "d")
        cells = [row["lot"], moment, row["metal"], row["form"]]
        sheet.append([*cells, *(cell(mass, "m") for mass in masses), row["note"]])
    book.save(file)


if __name__ == "__main__":
    sys.exit(main())
