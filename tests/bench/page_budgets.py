"""What each page costs on the demo's data and on a hundred times as much: queries and bytes.

    python tests/bench/page_budgets.py --times 100

The demo is built, its history copied row by row under new keys and codes (reference data, months
and count sheets stay as they are), and every page of the works is opened by the test client as the
manager. A page whose number of queries differs is named, and the script then fails. The copies are
good for reading pages only: their digests are not chained.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.throwaway import in_child

# What does not grow with the history, or is one row a month, a day or a kind.
STAYS: Final = {
    *("Party", "Person", "Place", "Balance", "LotNumber", "Account", "LedgerHead", "BooksMonth"),
    *("RecordedRequest", "Cell", "MonthEnd", "MonthReopening", "CountSheet", "ContractTerms"),
    *("MetalPrice", "KeptForm", "TraceCheckpoint", "KeptMixture", "SharedLink"),
    *("EventSubscription", "EventDelivery", "SheetImport", "ImportedRow", "ImportDraft"),
}
CODES_APART: Final = 1000
# A lot's trace reads a long history in a few blocks more; anything else is a query for each row.
MORE_MAX: Final = 1.1
# Not opened on the copies: one month would hold a hundred works' measurements as one network, and
# tests/bench/bench_reconcile.py measures networks.
SMALL_ONLY: Final = "months/<month>/how-sure/"


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--one", choices=("demo", "grow", "open"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        sys.stdout.write(json.dumps(_child(options.one, options.times)))
        return 0
    with tempfile.TemporaryDirectory(prefix="ledger-pages-") as folder:
        os.environ["DATA_DIR"] = folder
        small = Path(folder) / "small.sqlite3"
        in_child(__file__, ["--one", "demo"], f"sqlite:///{small}")
        large = Path(folder) / "large.sqlite3"
        shutil.copy(small, large)
        times = ["--times", str(options.times)]
        grown = in_child(__file__, ["--one", "grow", *times], f"sqlite:///{large}")
        before = in_child(__file__, ["--one", "open", "--times", "1"], f"sqlite:///{small}")
        after = in_child(__file__, ["--one", "open", *times], f"sqlite:///{large}")
    return _report(options.times, grown, before, after)


def _report(
    times: int, grown: dict[str, Any], before: dict[str, Any], after: dict[str, Any]
) -> int:
    _say(f"rows copied: {grown['rows']}")
    _say(f"{'page':44} {'queries':>8} {f'x{times}':>6} {'kB':>7} {f'x{times}':>7} {'s':>6}")
    differing = 0
    for route, (queries, size, _, status) in before.items():
        if route == SMALL_ONLY:
            _say(f"{route:44} {queries:>8} {'-':>6} {size / 1000:>7.1f}")
            continue
        if status != 200:
            _say(f"{route:44} not opened: {status}")
            continue
        more, larger, seconds, _ = after[route]
        differs = " more queries" if more > MORE_MAX * queries else ""
        differing += bool(differs)
        _say(
            f"{route:44} {queries:>8} {more:>6} {size / 1000:>7.1f} {larger / 1000:>7.1f} "
            f"{seconds:>6.2f}{differs}"
        )
    _say(f"pages whose queries grow with the history: {differing}")
    return 1 if differing else 0


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")


def _child(what: str, times: int) -> dict[str, Any]:
    import django  # noqa: PLC0415 the settings come from the environment made above

    django.setup()
    if what == "demo":
        from django.core.management import call_command  # noqa: PLC0415

        with open(os.devnull, "w") as silent:
            call_command("demo", no_serve=True, in_place=True, stdout=silent)
        return {}
    return {"rows": _grow(times)} if what == "grow" else _open(times)


def _open(times: int) -> dict[str, list[Any]]:
    """Queries, bytes, seconds and status of every page that there is something to open on."""
    import time  # noqa: PLC0415

    from django.conf import settings  # noqa: PLC0415
    from django.contrib.auth import get_user_model  # noqa: PLC0415
    from django.db import connection  # noqa: PLC0415
    from django.test import Client  # noqa: PLC0415
    from django.test.utils import CaptureQueriesContext  # noqa: PLC0415

    from tests.page_addresses import page_addresses  # noqa: PLC0415

    settings.ALLOWED_HOSTS = ["testserver"]
    browser = Client()
    browser.force_login(get_user_model().objects.get(person__role="manager"))
    browser.get("/")
    found: dict[str, list[Any]] = {}
    for route, address in page_addresses().items():
        if address is None or (times > 1 and route == SMALL_ONLY):
            continue
        begun = time.perf_counter()
        with CaptureQueriesContext(
            connection,
        ) as seen:
            answer = browser.get(address)
        seconds = time.perf_counter() - begun
        size = sum(map(len, answer)) if answer.streaming else len(answer.content)
        found[route] = [len(seen), size, seconds, answer.status_code]
    return found


def _grow(times: int) -> int:
    """Writes every row of the history `times` - 1 times more; how many rows that are."""
    from django.apps import apps  # noqa: PLC0415
    from django.db import connection, transaction  # noqa: PLC0415

    from tests.databases import unguarded  # noqa: PLC0415

    grows = [
        model
        for app in ("lots", "cells", "reports")
        for model in apps.get_app_config(app).get_models()
        if model.__name__ not in STAYS
    ]
    # A weighing's key is its measurement's.
    keys = {
        model: (list(model._meta.parents) or [model])[-1]._default_manager.latest("pk").pk
        for model in grows
        if model._default_manager.exists()
    }
    count = 0
    with unguarded(connection, back=False), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("PRAGMA defer_foreign_keys=ON")
        for model in keys:
            fields = model._meta.local_concrete_fields
            names = ", ".join(f'"{field.column}"' for field in fields)
            table = model._meta.db_table
            cursor.execute(f'SELECT {names} FROM "{table}"')
            rows = cursor.fetchall()
            marks = ", ".join(["%s"] * len(fields))
            for copy in range(1, times):
                cursor.executemany(
                    f'INSERT INTO "{table}" ({names}) VALUES ({marks})',
                    [
                        [
                            _shifted(field, value, copy, keys)
                            for field, value in zip(fields, row, strict=True)
                        ]
                        for row in rows
                    ],
                )
            count += len(rows) * (times - 1)
    return count


def _shifted(field: Any, value: Any, copy: int, keys: dict[Any, int]) -> Any:
    """A column's value in a copy: keys and codes of its own, everything else as it is."""
    from lots.codes import make_code, parse_code  # noqa: PLC0415

    if value is None:
        return None
    target = field.related_model if field.is_relation else None
    if target is not None:
        return value + copy * keys[target] if target in keys else value
    if field.primary_key:
        return value + copy * keys[field.model]
    if field.name == "sequence":
        return value + copy * (keys[field.model] + 1)
    if field.name == "code":
        code = parse_code(value)
        return str(make_code(code.prefix, code.year, code.number + copy * CODES_APART))
    if field.name == "mark":
        return f"{value}-{copy}"
    if field.name == "state" and field.model.__name__ == "CellRun" and value != "closed":
        return "withdrawn"
    return value


if __name__ == "__main__":
    sys.exit(main())
