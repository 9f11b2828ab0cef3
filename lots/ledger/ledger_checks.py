"""Is the ledger sound? Every check proves one statement over the whole database.

Nothing is written. An app above adds its own by naming a list of checks in its AppConfig:
`ledger_checks = "cells.queries.run_checks.CHECKS"`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Final

from django.apps import apps
from django.db import connection
from django.utils.module_loading import import_string

from lots.ledger import ledger_findings as sql
from lots.ledger.counter_findings import counters_apart
from lots.ledger.digest_chain import broken_links
from lots.ledger.guard_findings import faulty_guards
from lots.ledger.seal_findings import broken_seals, rows_not_as_sealed
from lots.models import BooksMonth, RecordedRequest
from lots.queries.paper_findings import papers_changed
from lots.queries.people_findings import people_not_as_recorded
from lots.queries.works_zone import next_month
from lots.traces.kept_trace_checks import kept_apart_from_entries

ROWS_SHOWN: Final = 20

Row = dict[str, object]


@dataclass(frozen=True)
class Check:
    """One statement to be proved. `find` yields a row for everything that contradicts it.

    `find` is SQL or a function; `subject` is the table whose rows are examined. One that reads
    files beside the database `has_files`.
    """

    name: str
    states: str
    subject: str
    find: str | Callable[[], Iterator[Row]]
    has_files: bool = False


@dataclass(frozen=True)
class CheckResult:
    """How many rows were examined, how many contradict the statement, and the first of those."""

    check: Check
    examined: int
    found: int
    rows: list[Row]


def all_checks() -> list[Check]:
    """The ledger's own checks, then those of the apps above."""
    checks = list(CHECKS)
    for config in apps.get_app_configs():
        path = getattr(config, "ledger_checks", None)
        if path:
            checks += import_string(path)
    return checks


def run_checks(rows_shown: int = ROWS_SHOWN, *, with_files: bool = True) -> Iterator[CheckResult]:
    """The result of every check, one after the other; without files, of the database alone."""
    for check in all_checks():
        if with_files or not check.has_files:
            yield run_check(check, rows_shown)


def run_check(check: Check, rows_shown: int = ROWS_SHOWN) -> CheckResult:
    """One check; at most `rows_shown` offending rows are kept, all of them are counted."""
    examined = _count(f"SELECT COUNT(*) FROM {check.subject}")
    if callable(check.find):
        rows = check.find()
        shown = list(islice(rows, rows_shown))
        return CheckResult(check, examined, len(shown) + sum(1 for _ in rows), shown)
    shown = list(_rows(f"SELECT * FROM ({check.find}) found LIMIT {rows_shown + 1}"))
    found = len(shown)
    if found > rows_shown:
        found = _count(f"SELECT COUNT(*) FROM ({check.find}) found")
    return CheckResult(check, examined, found, shown[:rows_shown])


def months_apart() -> Iterator[Row]:
    """Months whose bounds leave a moment in none of them, or in two."""
    before: BooksMonth | None = None
    for month in BooksMonth.objects.order_by("first_day"):
        follows = before is not None and next_month(before.first_day) == month.first_day
        ended = month.starts_at if before is None else before.ends_at
        is_apart = month.starts_at != ended if follows else month.starts_at < ended
        if is_apart or month.ends_at <= month.starts_at:
            yield {
                "month_id": month.pk,
                "month": str(month),
                "at": month.starts_at,
                "ends_at": month.ends_at,
                "previous_ends_at": before and before.ends_at,
            }
        before = month


def requests_without_result() -> Iterator[Row]:
    """Recorded requests whose result can't be given again, because it is not there."""
    labels = RecordedRequest.objects.order_by().values_list("result_model", flat=True).distinct()
    for label in labels:
        requests = RecordedRequest.objects.filter(result_model=label).order_by("id")
        try:
            model = apps.get_model(label)
        except (LookupError, ValueError):
            missing = requests
        else:
            missing = requests.exclude(result_pk__in=model._default_manager.values("pk"))
        for pk, key, result_pk in missing.values_list("id", "key", "result_pk").iterator(1000):
            yield {"request_id": pk, "key": key, "result_model": label, "result_id": result_pk}


def _count(statement: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(statement)
        return int(cursor.fetchone()[0])


def _rows(statement: str) -> Iterator[Row]:
    with connection.cursor() as cursor:
        cursor.execute(statement)
        names = [column[0] for column in cursor.description]
        for row in cursor.fetchall():
            yield dict(zip(names, row, strict=True))


CHECKS: Final = (
    Check(
        "balanced",
        "every movement balances to zero for every metal",
        "lots_entry",
        sql.UNBALANCED,
    ),
    Check(
        "claims-follow-pool",
        "a movement's claims sum, per metal, to what it added to the house's lots",
        "lots_claimentry",
        sql.CLAIMS_APART_FROM_POOL,
    ),
    Check(
        "lot-never-below-zero",
        "no lot holds less than nothing of any metal at any moment",
        "lots_entry",
        sql.LOT_BELOW_ZERO,
    ),
    Check(
        "material-never-below-zero",
        "no lot's own mass or volume is less than nothing at any moment",
        "lots_materialentry",
        sql.MATERIAL_BELOW_ZERO,
    ),
    Check(
        "claim-never-below-zero",
        "no customer is owed less than nothing at any moment",
        "lots_claimentry",
        sql.CLAIM_BELOW_ZERO,
    ),
    Check(
        "holdings-are-claims-and-kept-apart",
        "per metal, all holdings = all claims + what stands in lots kept apart for customers",
        "lots_entry",
        sql.HOLDINGS_APART_FROM_CLAIMS,
    ),
    Check(
        "held-for-its-owner",
        "what a lot holds is all its owner's",
        "lots_lot",
        sql.HELD_FOR_ANOTHER,
    ),
    Check(
        "times-agree",
        "every line has its movement's moments",
        "lots_entry",
        sql.TIMES_DIFFER,
    ),
    Check(
        "sequence",
        "movements are numbered without gap, in the order recorded",
        "lots_movement",
        sql.SEQUENCE_BROKEN,
    ),
    Check(
        "head",
        "the ledger has one head, and it is the last movement",
        "lots_ledgerhead",
        sql.HEAD_DIFFERS,
    ),
    Check(
        "digests",
        "every movement's digest follows from its rows and the digest before",
        "lots_movement",
        broken_links,
    ),
    Check(
        "line-order",
        "a movement's lines come after those of the movement before",
        "lots_entry",
        sql.LINES_OUT_OF_ORDER,
    ),
    Check(
        "counters",
        "every number, key and movement that was told of is there",
        "lots_lotnumber",
        counters_apart,
    ),
    Check(
        "seals",
        "every seal follows from its rows and the seal before, and names a movement that is there",
        "lots_seal",
        broken_seals,
    ),
    Check(
        "as-sealed",
        "every other fact on record is as the request that recorded it left it",
        "lots_sealedrow",
        rows_not_as_sealed,
    ),
    Check(
        "reversals",
        "a reversal is the exact opposite of what it reverses, and not earlier",
        "lots_movement",
        sql.NOT_MIRRORED,
    ),
    Check(
        "standing",
        "every lot's owner and place are those of its latest standing",
        "lots_lot",
        sql.STANDING_DIFFERS,
    ),
    Check(
        "state",
        "a lot that holds something is not spent, and one that is at hand holds something",
        "lots_lot",
        sql.STATE_DIFFERS,
    ),
    Check(
        "months",
        "months of the books follow one another without overlap or gap",
        "lots_booksmonth",
        months_apart,
    ),
    Check(
        "requests",
        "every recorded request's result is there to be given again",
        "lots_recordedrequest",
        requests_without_result,
    ),
    Check(
        "kept-traces",
        "what is kept of the traces is what the entries give",
        "lots_keptmixture",
        kept_apart_from_entries,
    ),
    Check(
        "papers",
        "every attached paper's file is there, byte for byte as it was attached",
        "lots_document",
        papers_changed,
        has_files=True,
    ),
    Check(
        "people",
        "every person has the role and the state that the last act on record gave them",
        "lots_person",
        people_not_as_recorded,
    ),
    Check(
        "guards",
        "the triggers that refuse changes to posted rows and closed months are there to the letter",
        "lots_movement",
        faulty_guards,
    ),
)
