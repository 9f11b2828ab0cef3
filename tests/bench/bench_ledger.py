"""How fast the ledger is beside plain SQL on the same rows in the same run: ratios, not times.

    python tests/bench/bench_ledger.py --entries 100000 1000000 [--database postgres://...]

Each size gets a database of its own, which is thrown away: a temporary SQLite file, or a new
database on the server that `--database` names.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.throwaway import database, in_child

ROUNDS = 7
TARGETS = {
    "balances now / hand-written aggregate": 1.5,
    "balances as of then / hand-written aggregate": 2.0,
    "posting / executemany of the same rows": 6.0,
}


def main() -> int:
    options = _options()
    if options.one:
        sys.stdout.write(json.dumps(_measure(options.entries[0], options.requests)))
        return 0
    measured: list[tuple[int, dict[str, float]]] = []
    for entries in options.entries:
        with database(options.database) as url:
            own = ["--one", "--entries", str(entries), "--requests", str(options.requests)]
            measured.append((entries, in_child(__file__, own, url)))
        _print(*measured[-1])
    for (fewer, small), (more, large) in pairwise(measured):
        _print_growth(fewer, small, more, large)
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--entries", type=int, nargs="+", default=[100_000])
    parser.add_argument("--requests", type=int, default=500, help="Services called, half each.")
    parser.add_argument(
        "--database", default="", help="A PostgreSQL server, by any database of it."
    )
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


def _measure(entries: int, requests: int) -> dict[str, float]:
    """Everything that is measured on one database, seconds and counts by name."""
    import django  # noqa: PLC0415 the settings come from the environment made above

    django.setup()
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connection  # noqa: PLC0415

    from lots import clock  # noqa: PLC0415
    from tests.bench import ledger_timings as timings  # noqa: PLC0415
    from tests.bench.history import write_history  # noqa: PLC0415
    from tests.conftest import MORNING, build_works  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    works = build_works()
    counts = write_history(entries, works, MORNING)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")
    _say(f"{counts['entry']} entries in {counts['movement']} movements written")
    figures: dict[str, float] = {f"{name} rows": count for name, count in counts.items()}
    with clock.at(MORNING.replace(hour=18)), tempfile.TemporaryDirectory() as folder:
        figures |= _best(timings.reads(works, MORNING))
        _say("balances")
        before = _peak_mib()
        figures["check_ledger"] = _seconds(timings.check_everything)
        figures["check_ledger MiB"] = _peak_mib() - before
        _say("check_ledger")
        figures |= timings.list_queries(works)
        figures |= timings.posting(works, requests, MORNING, Path(folder))
    return figures


def _best(by_name: dict[str, Callable[[], Any]]) -> dict[str, float]:
    """The best of several rounds, each running everything once so that all share the machine."""
    rounds = [{name: _seconds(one) for name, one in by_name.items()} for _ in range(ROUNDS)]
    return {name: min(each[name] for each in rounds) for name in by_name}


def _seconds(one: Callable[[], Any]) -> float:
    started = time.perf_counter()
    one()
    return time.perf_counter() - started


def _peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _say(text: str) -> None:
    sys.stderr.write(f"  {text}\n")


def _print(entries: int, figures: dict[str, float]) -> None:
    lines = [f"{figures['entry rows']:.0f} entries, {figures['lot rows']:.0f} lots"]
    pairs = {
        "balances now / hand-written aggregate": ("balances now", "aggregate now"),
        "balances as of then / hand-written aggregate": ("balances then", "aggregate then"),
        "posting / executemany of the same rows": ("posting", "executemany"),
    }
    for name, (ours, plain) in pairs.items():
        ratio = figures[ours] / figures[plain]
        verdict = "within" if ratio <= TARGETS[name] else "ABOVE"
        lines.append(f"  {name}: {ratio:.2f} ({verdict} the target of {TARGETS[name]:g})")
    scans = figures["check_ledger"] / figures["aggregate now"]
    lines.append(
        f"  check_ledger: {scans:.0f} aggregates, peak +{figures['check_ledger MiB']:.0f} MiB"
    )
    lines.append(
        "  queries of the lot list: "
        + ", ".join(
            f"{name.removeprefix('list queries, ')} {count:.0f}"
            for name, count in figures.items()
            if name.startswith("list queries, ")
        )
    )
    sys.stdout.write("\n".join(lines) + "\n")


def _print_growth(fewer: int, small: dict[str, float], more: int, large: dict[str, float]) -> None:
    """How time grows when the entries do; no more than the same factor is linear."""
    times = large["entry rows"] / small["entry rows"]
    sys.stdout.write(f"{more} beside {fewer} entries ({times:.1f} times as many):\n")
    for name in ("balances now", "balances then", "check_ledger", "posting", "lot list"):
        sys.stdout.write(f"  {name}: {large[name] / small[name]:.1f} times as long\n")


if __name__ == "__main__":
    sys.exit(main())
