"""Whatever happened on the books, every figure has its errors and the month can be reconciled."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lots.ledger.holdings import balances
from lots.models import Entry
from reports.queries.month.best_estimate import best_estimate, holdings_by
from reports.queries.month.difference_sequence import difference_sequences
from reports.queries.month.entry_uncertainty import BookUncertainty, book_uncertainty
from tests.builders import month_2026
from tests.properties.test_cell_runs import cell_works, runs  # noqa: F401
from tests.properties.test_cell_runs import play as play_run
from tests.properties.test_ledger_model import Run, steps_of

QUICK = settings(
    max_examples=8,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
MAY = month_2026(5)


def check_figures(book: BookUncertainty) -> None:
    held = {(row["lot_id"], row["metal"]): row["total"] for row in balances()}
    assert book.held.keys() == held.keys()
    for key, mass_ug in held.items():
        assert book.held[key].value == pytest.approx(mass_ug, abs=1)
    by_movement: dict[tuple[int, str], list[int]] = defaultdict(list)
    for pk, movement, metal in Entry.objects.values_list("pk", "movement_id", "metal"):
        by_movement[movement, metal].append(pk)
    for pks in by_movement.values():
        together = book.of_entries(pks)
        assert together.value == pytest.approx(0, abs=1)
        assert together.u <= 1e-6 * max(book.entries[pk].u for pk in pks) + 1e-6


def check_month(book: BookUncertainty) -> None:
    estimate = best_estimate(MAY)
    assert estimate.converged
    held = holdings_by(estimate)
    for metal in {metal for _, metal in book.held}:
        assert held[metal, ""].book_ug == pytest.approx(book.of_metal(metal).value, abs=1)
    assert all(each.u_after <= each.u_before * (1 + 1e-6) for each in estimate.readings)
    for each in difference_sequences(MAY):
        assert len(each.months) == len(each.periods)


@QUICK
@given(seed=st.integers(0, 2**32), count=st.integers(12, 40))
def test_any_steps_leave_every_figure_with_its_errors(
    works: SimpleNamespace, act: Callable[..., Any], seed: int, count: int
) -> None:
    run = Run(works, act)
    with transaction.atomic():
        for step in steps_of(seed, count):
            run.try_step(step)
        book = book_uncertainty()
        check_figures(book)
        check_month(book)
        transaction.set_rollback(True)


@QUICK
@given(made=runs())
def test_any_run_can_be_reconciled(
    cell_works: SimpleNamespace,  # noqa: F811
    act: Callable[..., Any],
    made: SimpleNamespace,
) -> None:
    with transaction.atomic():
        play_run(cell_works, act, made)
        book = book_uncertainty()
        check_figures(book)
        check_month(book)
        transaction.set_rollback(True)
