"""How fast the month's end, the lot list and the workbooks are as the history grows: ratios.

    python tests/bench/bench_reports.py --entries 100000 1000000 [--database postgres://...]

Each size gets a database of its own. Processor time is compared, of this process: on SQLite that is
all of it, on PostgreSQL the server's work is left out, so there the clock is compared.
"""

from __future__ import annotations

import argparse
import io
import json
import resource
import statistics
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.throwaway import database, in_child

MONTH = "2026-04"
PAGES = 40
FILTERS = (
    "",
    "form=granules",
    "form=fine_crystal&state=available",
    "owner=pellow-dane&ordering=-registered_at",
    "search=GR26",
)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--entries", type=int, nargs="+", default=[100_000])
    parser.add_argument("--database", default="", help="A PostgreSQL server, by any database.")
    parser.add_argument("--without-estimate", action="store_true")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        sys.stdout.write(json.dumps(_measure(options.entries[0], not options.without_estimate)))
        return 0
    measured = []
    for entries in options.entries:
        with database(options.database) as url:
            asked = ["--one", "--entries", str(entries)]
            asked += ["--without-estimate"] if options.without_estimate else []
            measured.append(in_child(__file__, asked, url))
        _print(measured[-1])
    for small, large in pairwise(measured):
        _print_growth(small, large)
    return 0


def _measure(entries: int, with_estimate: bool) -> dict[str, float]:
    import django  # noqa: PLC0415 the settings come from the environment

    django.setup()
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connection  # noqa: PLC0415

    from lots import clock  # noqa: PLC0415
    from reports.exports.month_end import month_end_tables  # noqa: PLC0415
    from reports.exports.workbook import write_workbook  # noqa: PLC0415
    from reports.queries.month.month_pack import month_pack  # noqa: PLC0415
    from reports.queries.month.month_statement import month_statement  # noqa: PLC0415
    from reports.queries.month.periods import parse_month  # noqa: PLC0415
    from tests.bench.history import write_history  # noqa: PLC0415
    from tests.bench.ledger_timings import reads  # noqa: PLC0415
    from tests.conftest import MORNING, build_works  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    works = build_works()
    counts = write_history(entries, works, MORNING)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")
    _say(f"{counts['entry']} entries in {counts['movement']} movements written")
    watch = time.process_time if connection.vendor == "sqlite" else time.perf_counter
    period = parse_month(MONTH)
    figures: dict[str, float] = {"entries": counts["entry"], "lots": counts["lot"]}
    with clock.at(MORNING.replace(hour=18)):
        aggregate = reads(works, MORNING)["aggregate now"]
        figures["aggregate"] = min(_took(watch, aggregate) for _ in range(3))
        figures["statement"] = min(_took(watch, lambda: month_statement(period)) for _ in range(3))
        _say("month's statement")
        pack = month_pack(period)
        figures["workbook"] = _took(
            watch, lambda: write_workbook(month_end_tables(pack), io.BytesIO())
        )
        if with_estimate:
            before = _peak_mib()
            figures["estimate"] = _took(watch, lambda: month_pack(period, with_estimate=True))
            figures["estimate MiB"] = _peak_mib() - before
            _say("month's estimate")
        figures |= _lists(works, watch)
        _say("lot list")
    return figures


def _peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _say(text: str) -> None:
    sys.stderr.write(f"  {text}\n")


def _took(watch: Callable[[], float], one: Callable[[], Any]) -> float:
    started = watch()
    one()
    return watch() - started


def _lists(works: Any, watch: Callable[[], float]) -> dict[str, float]:
    """The 95th percentile of a page of the lot list, over filters and pages, and its queries."""
    from django.db import connection  # noqa: PLC0415
    from django.test.utils import CaptureQueriesContext  # noqa: PLC0415
    from rest_framework.test import APIClient  # noqa: PLC0415

    client = APIClient()
    client.force_authenticate(works.operator)
    times, plain, queries = [], [], set()
    for number in range(PAGES):
        asked = f"{FILTERS[number % len(FILTERS)]}&page={1 + number % 3}".lstrip("&")
        with CaptureQueriesContext(connection) as captured:
            started = watch()
            answer = client.get(f"/api/v1/lots/?{asked}", HTTP_HOST="localhost")
            times.append(watch() - started)
        assert answer.status_code in {200, 404}, answer.content[:300]
        queries.add(len(captured))
        started = watch()
        for query in captured.captured_queries:
            with connection.cursor() as cursor:
                _again(cursor, query["sql"])
        plain.append(watch() - started)
    return {
        "list p95": statistics.quantiles(times, n=20)[-1],
        "list p95 of its SQL alone": statistics.quantiles(plain, n=20)[-1],
        "list queries at most": max(queries),
    }


def _again(cursor: Any, sql: str) -> None:
    """The query once more, its parameters already in it; what can't be said so is left out."""
    if sql.lstrip().upper().startswith("SELECT"):
        cursor.execute(sql.replace("%", "%%"))
        cursor.fetchall()


def _print(figures: dict[str, float]) -> None:
    aggregate = figures["aggregate"]
    lines = [f"{figures['entries']:,.0f} entries, {figures['lots']:,.0f} lots"]
    lines.append(f"  month's statement: {figures['statement'] / aggregate:.1f} aggregates")
    if "estimate" in figures:
        lines.append(
            f"  month's report with its estimate: {figures['estimate'] / aggregate:.0f} aggregates,"
            f" peak +{figures['estimate MiB']:.0f} MiB"
        )
    lines.append(
        f"  lot list, 95th percentile: {figures['list p95'] / aggregate:.2f} aggregates, "
        f"{figures['list p95'] / figures['list p95 of its SQL alone']:.1f} times its SQL alone, "
        f"at most {figures['list queries at most']:.0f} queries"
    )
    sys.stdout.write("\n".join(lines) + "\n")


def _print_growth(small: dict[str, float], large: dict[str, float]) -> None:
    times = large["entries"] / small["entries"]
    sys.stdout.write(f"{times:.1f} times as many entries:\n")
    for name in ("aggregate", "statement", "estimate", "workbook", "list p95"):
        if name in large:
            sys.stdout.write(f"  {name}: {large[name] / small[name]:.1f} times as long\n")


if __name__ == "__main__":
    sys.exit(main())
