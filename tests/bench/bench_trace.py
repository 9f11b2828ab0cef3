"""How fast tracing is beside the same product in scipy.sparse, in the same run: ratios, not times.

    python tests/bench/bench_trace.py --entries 10000 100000 [--database postgres://...]

Each size gets a database of its own, which is thrown away. A trace is exact to the microgram and is
timed from the question to the answer, queries included: cold, when nothing is kept; warm, with the
checkpoints made; and with those of the second half of the history stale. The products are in
floating point; to each is added one plain read of the rows it needs. On SQLite, where all is done
in one process, its processor time is taken, which other work on the machine disturbs least.
"""

from __future__ import annotations

import argparse
import datetime as dt
import gc
import json
import resource
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.throwaway import database, in_child

ROUNDS = 3
# No more rounds of what has taken so long.
ENOUGH_S = 6.0


def main() -> int:
    options = _options()
    if options.one:
        sys.stdout.write(json.dumps(_measure(options.entries[0], options.product_up_to)))
        return 0
    for entries in options.entries:
        with database(options.database) as url:
            own = ["--one", "--entries", str(entries)]
            own += ["--product-up-to", str(options.product_up_to)]
            _print(in_child(__file__, own, url))
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--entries", type=int, nargs="+", default=[10_000])
    parser.add_argument(
        "--database", default="", help="A PostgreSQL server, by any database of it."
    )
    parser.add_argument(
        "--product-up-to",
        type=int,
        default=20_000,
        metavar="ENTRIES",
        help="Leave the product over all lots out above this: its time grows with the square.",
    )
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


def _measure(entries: int, product_up_to: int) -> dict[str, Any]:
    """Everything that is measured on one database, seconds and counts by name."""
    import django  # noqa: PLC0415 the settings come from the environment made above

    django.setup()
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connection  # noqa: PLC0415

    from lots.traces.keep_traces import mark_stale  # noqa: PLC0415
    from tests.bench.carried_history import carried_history  # noqa: PLC0415
    from tests.bench.carried_rows import write_carried  # noqa: PLC0415
    from tests.conftest import MORNING, build_works  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    works = build_works()
    history = carried_history(entries)
    keys = write_carried(history, works, MORNING)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")
    _say(f"{history.entries:,} entries written")
    figures: dict[str, Any] = {"entries": history.entries, "lots": history.lots}
    figures |= _products(history, with_all=entries <= product_up_to)
    last, middle = keys[history.baths[0]], keys[_received_half_way(history)]
    asked = (last, middle, keys[3])
    history.steps.clear()
    figures |= _named("cold", _traces(*asked))
    figures |= _keeping()
    figures |= _named("warm", _traces(*asked))
    mark_stale(MORNING - dt.timedelta(days=365 * 3 / 2))
    figures |= _named("half", _traces(*asked))
    figures["peak MiB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return figures


def _products(history: Any, *, with_all: bool) -> dict[str, float]:
    """The products, and the plain read of all rows that each begins with."""
    from lots.traces.trace import mix  # noqa: PLC0415
    from tests.bench import trace_products as products  # noqa: PLC0415

    steps, last, middle = history.steps, history.baths[0], _received_half_way(history)
    read_s, _ = _best(_plain_read)
    set_up_s, system = _best(lambda: products.system(steps))
    figures = {
        "product back": _best(lambda: products.solve_back(system, last))[0] + set_up_s + read_s,
        "product ahead": _best(lambda: products.solve_ahead(system, middle))[0] + set_up_s + read_s,
    }
    if with_all:
        all_s, matrix = _best(lambda: products.product(steps, history.lots), 1)
        figures["product all"] = all_s + read_s
        figures["deviation"] = products.deviation(mix(steps).contents["Ag"], matrix)
    _say("products")
    return figures


def _plain_read() -> Any:
    from django.db import connection  # noqa: PLC0415

    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT movement_id, lot_id, account_id, mass_ug FROM lots_entry "
            "ORDER BY occurred_at, movement_id, id"
        )
        return cursor.fetchall()


def _received_half_way(history: Any) -> int:
    """A lot received in the middle of the history, as the history numbers it."""
    middle = history.steps[len(history.steps) // 2 :] or history.steps
    lines = next(step.lines for step in middle if step.lines[0][0] == "received")
    return int(lines[1][0])


def _traces(last: int, middle: int, oldest: int) -> dict[str, float]:
    from lots import clock  # noqa: PLC0415
    from lots.ledger.holdings import holding  # noqa: PLC0415
    from lots.models import Lot  # noqa: PLC0415
    from lots.traces.lot_trace import mixtures_of_all, trace_back, trace_forward  # noqa: PLC0415
    from tests.conftest import MORNING  # noqa: PLC0415

    with clock.at(MORNING):
        bath, received = Lot.objects.get(pk=last), Lot.objects.get(pk=middle)
        first = Lot.objects.get(pk=oldest)
        back_s, back = _best(lambda: trace_back(bath))
        ahead_s, ahead = _best(lambda: trace_forward(received))
        oldest_s, _ = _best(lambda: trace_forward(first))
        all_s, everything = _best(mixtures_of_all, 1)
        assert back.held_ug == holding(bath).metals
        assert sum(part.mass_ug for part in ahead.parts) == ahead.entered_ug["Ag"]
    origins = max(len(mixture) for mixture in everything["Ag"].values())
    _say("traces")
    return {
        "back": back_s,
        "ahead": ahead_s,
        "ahead oldest": oldest_s,
        "all": all_s,
        "origins": len(back.shares),
        "origins most": origins,
    }


def _keeping() -> dict[str, float]:
    from django.db.models import Sum  # noqa: PLC0415
    from django.db.models.functions import Length  # noqa: PLC0415

    from lots import clock  # noqa: PLC0415
    from lots.models import KeptMixture  # noqa: PLC0415
    from lots.traces.keep_traces import keep_traces  # noqa: PLC0415
    from tests.conftest import MORNING  # noqa: PLC0415

    with clock.at(MORNING):
        started = _clock()
        made = keep_traces()
        took_s = _clock() - started
    size = KeptMixture.objects.aggregate(bytes=Sum(Length("packed")))["bytes"] or 0
    _say(f"{made} checkpoints")
    return {
        "keeping": took_s,
        "checkpoints": made,
        "kept rows": KeptMixture.objects.count(),
        "kept bytes": size,
    }


def _named(state: str, figures: dict[str, float]) -> dict[str, float]:
    return {f"{name} {state}": value for name, value in figures.items()}


def _best(call: Callable[[], Any], rounds: int = ROUNDS) -> tuple[float, Any]:
    """The median time of a few, since a machine has other work, and the last answer."""
    times, answer = [], None
    for _ in range(rounds):
        answer = None
        gc.collect()
        started = _clock()
        answer = call()
        times.append(_clock() - started)
        if sum(times) > ENOUGH_S:
            break
    return statistics.median(times), answer


def _clock() -> float:
    from django.db import connection  # noqa: PLC0415

    return time.process_time() if connection.vendor == "sqlite" else time.perf_counter()


def _say(text: str) -> None:
    sys.stderr.write(f"  {text}\n")


def _print(figures: dict[str, Any]) -> None:
    lines = [
        f"{figures['entries']:,} entries, {figures['lots']:,} lots; "
        f"up to {figures['origins most cold']:.0f} origins in a lot"
    ]
    for what, name in (
        ("one lot back", "back"),
        ("one lot forward", "ahead"),
        ("the oldest lot forward", "ahead oldest"),
        ("all lots", "all"),
    ):
        product = figures.get(f"product {name.split()[0]}")
        told = [f"{state} {figures[f'{name} {state}']:.3f} s" for state in ("cold", "half", "warm")]
        if product:
            told += [
                f"{state} / product {figures[f'{name} {state}'] / product:.3f}"
                for state in ("cold", "half", "warm")
            ]
        lines.append(f"  {what}: " + "; ".join(told))
    if "deviation" in figures:
        lines.append(f"  largest deviation from the product: {figures['deviation']:.1f} ug")
    lines.append(
        f"  keeping: {figures['checkpoints']:.0f} checkpoints in {figures['keeping']:.1f} s, "
        f"{figures['kept rows']:,} rows, {figures['kept bytes'] / 2**20:.1f} MiB "
        f"({figures['kept bytes'] / figures['entries']:.0f} bytes an entry); "
        f"peak {figures['peak MiB']:.0f} MiB"
    )
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    raise SystemExit(main())
