"""What the ledger's benchmark times: each thing beside the plainest SQL that does the same."""

from __future__ import annotations

import datetime as dt
import io
import statistics
import time
from collections import defaultdict
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from django.core.management import call_command
from django.db import connection, models
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from lots.ledger.holdings import AsOf, balance_rows
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import (
    ClaimEntry,
    Entry,
    Lot,
    LotStanding,
    MaterialEntry,
    Measurement,
    Movement,
    RecordedRequest,
    Seal,
    SealedRow,
    Weighing,
)
from lots.services.receipt import receive_lot
from lots.services.splitting import Part, split_lot
from tests.bench.bulk_rows import for_sqlite
from tests.builders import receipt_of
from tests.databases import own_copy

WRITTEN = (
    Lot,
    Measurement,
    Weighing,
    Movement,
    Entry,
    ClaimEntry,
    MaterialEntry,
    LotStanding,
    RecordedRequest,
    SealedRow,
    Seal,
)
LIST_REQUESTS = 20
BLOCKS = 5


def reads(works: SimpleNamespace, now: dt.datetime) -> dict[str, Callable[[], Any]]:
    """All lots' balances by the query and by hand, now and as of half-way through the history."""
    then = now - dt.timedelta(days=540)
    as_of = AsOf(occurred=then)
    where = "lot_id IS NOT NULL"
    return {
        "aggregate now": lambda: _aggregate(where, []),
        "balances now": balance_rows,
        "aggregate then": lambda: _aggregate(where + " AND occurred_at <= %s", [then]),
        "balances then": lambda: balance_rows(as_of),
    }


def _aggregate(where: str, parameters: list[Any]) -> list[Any]:
    if connection.vendor == "sqlite":
        parameters = [for_sqlite(value) for value in parameters]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT lot_id, metal, SUM(mass_ug) FROM lots_entry "
            f"WHERE {where} GROUP BY lot_id, metal HAVING SUM(mass_ug) <> 0",
            parameters,
        )
        rows: list[Any] = cursor.fetchall()
        return rows


def check_everything() -> None:
    found = {result.check.name: result.rows for result in run_checks() if result.found}
    assert not found, found


def list_queries(works: SimpleNamespace) -> dict[str, float]:
    """How many queries the lot list takes by page size and filter, and its 95th percentile."""
    client = APIClient()
    client.force_authenticate(works.operator)
    figures: dict[str, float] = {}
    for name, asked in (
        ("10 a page", "page_size=10"),
        ("500 a page", "page_size=500"),
        ("filtered", "page_size=50&form=fine_crystal&state=available"),
    ):
        with CaptureQueriesContext(connection) as queries:
            answer = client.get(f"/api/v1/lots/?{asked}", HTTP_HOST="localhost")
        assert answer.status_code == 200, answer.content[:300]
        figures[f"list queries, {name}"] = len(queries)
    times = []
    for number in range(LIST_REQUESTS):
        started = time.perf_counter()
        page = 1 + number % 5
        answer = client.get(f"/api/v1/lots/?form=granules&page={page}", HTTP_HOST="localhost")
        times.append(time.perf_counter() - started)
        assert answer.status_code == 200, answer.content[:300]
    figures["lot list"] = statistics.quantiles(times, n=20)[-1]
    return figures


def posting(
    works: SimpleNamespace, requests: int, now: dt.datetime, folder: Path
) -> dict[str, float]:
    """Receipts and splits through their services, then the same rows by executemany.

    Both on copies of the same database, with a transaction for every request, in several blocks of
    which the best counts: the machine may have been busy during the others.
    """
    # A history written in bulk is sealed and its traces kept all at once; from then on each request
    # seals its own, and every thousandth movement keeps another trace.
    for command in ("seal_ledger", "keep_traces"):
        call_command(command, stdout=io.StringIO())
    size = requests // BLOCKS // 2 * 2
    for name in ("ours", "plain"):
        (folder / name).mkdir()
    before = {model: _last(model) for model in WRITTEN}
    with own_copy(folder / "ours"):
        ours = [_timed(_post, works, size, now, f"block {number}") for number in range(BLOCKS)]
        rows = _rows_after(before)
    by_request = _by_request(rows)
    assert len(by_request) == size * BLOCKS
    with own_copy(folder / "plain"):
        connection.ensure_connection()
        plain = [
            _timed(_insert_by_request, by_request[start : start + size])
            for start in range(0, len(by_request), size)
        ]
        assert {model: _last(model) for model in WRITTEN} == {
            model: last for model, (last, _) in rows.items()
        }
    return {"posting": min(ours), "executemany": min(plain)}


def _timed(one: Callable[..., Any], *arguments: Any) -> float:
    started = time.perf_counter()
    one(*arguments)
    return time.perf_counter() - started


def _post(works: SimpleNamespace, requests: int, now: dt.datetime, key: str) -> None:
    declared = {"Ag": Decimal(925), "Cu": Decimal(75)}
    receipt = receipt_of(works, 100, declared)
    for number in range(requests // 2):
        act = Act(works.operator, now, key=f"{key} receipt {number}")
        lot = receive_lot(receipt=receipt, act=act)
        act = Act(works.operator, now, key=f"{key} split {number}")
        split_lot(lot=lot, parts=[Part(mass_ug=40_000_000)], act=act)


def _last(model: type[models.Model]) -> int:
    return model._default_manager.aggregate(last=models.Max("pk"))["last"] or 0


Rows = dict[type[models.Model], tuple[int, list[tuple[Any, ...]]]]


def _rows_after(after: dict[Any, int]) -> Rows:
    """Every written table's last key and its rows since then, as the driver gives them."""
    found: Rows = {}
    for model in WRITTEN:
        table, key = model._meta.db_table, model._meta.pk.column
        last = _last(model)
        cursor = connection.connection.cursor()
        cursor.execute(
            f"SELECT {', '.join(_columns(model))} FROM {table} "
            f"WHERE {key} > {after[model]} ORDER BY {key}"
        )
        found[model] = last, [tuple(row) for row in cursor.fetchall()]
    return found


def _columns(model: type[models.Model]) -> list[str]:
    return [str(field.column) for field in model._meta.local_concrete_fields]


Requests = list[dict[type[models.Model], list[tuple[Any, ...]]]]


def _insert_by_request(requests: Requests) -> None:
    """One transaction per request, one executemany per table."""
    mark = "?" if connection.vendor == "sqlite" else "%s"
    cursor = connection.connection.cursor()
    begin = "BEGIN IMMEDIATE" if connection.vendor == "sqlite" else "BEGIN"
    for request in requests:
        cursor.execute(begin)
        for model, lines in request.items():
            places = ", ".join(mark for _ in lines[0])
            cursor.executemany(
                f"INSERT INTO {model._meta.db_table} ({', '.join(_columns(model))}) "
                f"VALUES ({places})",
                lines,
            )
        cursor.execute("COMMIT")


def _by_request(rows: Rows) -> Requests:
    """Every request of `_post` makes one movement, lot, seal and recorded request, in step."""
    parts: Requests = [defaultdict(list) for _ in rows[Movement][1]]
    of_movement = {row[0]: index for index, row in enumerate(rows[Movement][1])}
    of_lot = {row[0]: index for index, row in enumerate(rows[Lot][1])}
    of_seal = {row[0]: index for index, row in enumerate(rows[Seal][1])}
    of_weighing: dict[int, int] = {}
    for model in WRITTEN:
        columns = _columns(model)
        for index, row in enumerate(rows[model][1]):
            if model in (Lot, Movement, RecordedRequest, Seal):
                request = index
            elif model is SealedRow:
                request = of_seal[row[columns.index("seal_id")]]
            elif model is Measurement:
                request = of_weighing[row[0]] = of_lot[row[columns.index("lot_id")]]
            elif model is Weighing:
                request = of_weighing[row[0]]
            else:
                request = of_movement[row[columns.index("movement_id")]]
            parts[request][model].append(row)
    return parts
