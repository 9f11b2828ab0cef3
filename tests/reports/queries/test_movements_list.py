"""Every line of a span of time, in the order of the ledger."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

from lots.ledger.reversal import reverse_movement
from lots.models import Entry
from reports.queries.month.periods import Period
from reports.queries.movements_list import movement_rows
from tests.reports.conftest import on


def test_rows_are_all_lines_of_the_span_in_order(
    spring: SimpleNamespace, april: Period, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(1):
        rows = list(movement_rows(april.starts_at, april.ends_at))
    inside = Entry.objects.filter(occurred_at__gte=april.starts_at, occurred_at__lt=april.ends_at)
    assert len(rows) == inside.count()
    assert [row.sequence for row in rows] == sorted(row.sequence for row in rows)
    assert all(bool(row.lot) != bool(row.account) for row in rows)
    first = rows[0]
    assert (first.kind, first.stage, first.lot) == (
        "Receipt",
        "Receipt and melt",
        spring.apart.code,
    )
    assert (first.counterparty, first.recorded_by) == ("Isolde Brackwater", "operator")
    assert first.basis == "Declared"


def test_a_reversal_names_what_it_reverses(spring: SimpleNamespace, at: Any) -> None:
    reverse_movement(movement=spring.spilled, reason="found", act=at(5, 4))
    rows = [row for row in movement_rows(on(3, 1), on(6, 1)) if row.reverses is not None]
    assert {row.reverses for row in rows} == {spring.spilled.sequence}
    assert {row.note for row in rows} == {"found"}


def test_rows_as_recorded_earlier(spring: SimpleNamespace, april: Period) -> None:
    long_ago = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    assert list(movement_rows(april.starts_at, april.ends_at, long_ago)) == []
