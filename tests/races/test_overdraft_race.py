"""Two people at once: the ledger's one lock lets one in after the other."""

from __future__ import annotations

import threading
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection, connections

from config.refusals import ConflictError
from lots import clock
from lots.ledger import overdraft, posting, recording
from lots.ledger.holdings import holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.ledger_head import read_head
from lots.ledger.recording import Act
from lots.measurements.weighings import Weight
from lots.models import Entry, LedgerHead, Lot, Movement, ProcessBatch, RecordedRequest
from lots.services.process_batches import Inputs, start_batch
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take
from tests.conftest import MORNING

NOON = MORNING.replace(hour=12)


def received(works: SimpleNamespace, key: str = "receipt") -> Lot:
    """A hundred grams of the house's silver, all of it silver."""
    return receive_lot(
        receipt=Receipt(
            party=works.brackwater,
            owner=works.house,
            form="granules",
            place=works.places["feed-shelf"],
            weight=Weight(100_000_000, 0, works.balance),
            declared={"Ag": Decimal(1000)},
        ),
        act=Act(works.operator, MORNING, key=key),
    )


def together(*requests: Callable[[], Any]) -> list[Any]:
    """What each request answered (or was refused with), all begun at the same time."""
    gate = threading.Barrier(len(requests), timeout=30)
    answers: list[Any] = [None] * len(requests)

    def run(index: int, request: Callable[[], Any]) -> None:
        with clock.at(NOON):
            try:
                gate.wait()
                answers[index] = request()
            except Exception as error:
                answers[index] = error
            finally:
                connections.close_all()

    threads = [
        threading.Thread(target=run, args=(index, request))
        for index, request in enumerate(requests)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
        assert not thread.is_alive(), "a request never came back"
    return answers


def sixty_grams(works: SimpleNamespace, lot: Lot, key: str) -> Callable[[], ProcessBatch]:
    return lambda: start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs(takes=[Take(Lot.objects.get(pk=lot.pk), mass_ug=60_000_000)]),
        act=Act(works.operator, MORNING.replace(hour=11), key=key),
    )


def test_of_two_who_overdraw_a_lot_together_one_is_refused(
    emptied_database: None, works: SimpleNamespace
) -> None:
    lot = received(works)
    answers = together(sixty_grams(works, lot, "one"), sixty_grams(works, lot, "two"))
    refused = [answer for answer in answers if isinstance(answer, ConflictError)]
    done = [answer for answer in answers if isinstance(answer, ProcessBatch)]
    assert len(refused) == len(done) == 1, answers
    assert refused[0].code == "more_than_there_is"
    assert holding(lot).metals == {"Ag": 40_000_000}
    assert ProcessBatch.objects.count() == 1
    assert Movement.objects.count() == 2
    assert not [result for result in run_checks() if result.found]


def test_the_same_key_twice_at_once_records_once(
    emptied_database: None, works: SimpleNamespace
) -> None:
    lot = received(works)
    request = sixty_grams(works, lot, "same")
    first, second = together(request, request)
    assert isinstance(first, ProcessBatch), first
    assert first == second
    assert ProcessBatch.objects.count() == 1
    assert RecordedRequest.objects.filter(key="same").count() == 1
    assert holding(lot).metals == {"Ag": 40_000_000}


def test_many_at_once_leave_no_gap_in_sequence_or_codes(
    emptied_database: None, works: SimpleNamespace
) -> None:
    answers = together(*(lambda n=n: received(works, f"receipt {n}") for n in range(6)))
    assert all(isinstance(answer, Lot) for answer in answers), answers
    assert sorted(Movement.objects.values_list("sequence", flat=True)) == [1, 2, 3, 4, 5, 6]
    assert len({answer.code for answer in answers}) == 6
    assert LedgerHead.objects.get().last_sequence == 6
    assert not [result for result in run_checks() if result.found]


@pytest.mark.postgresql
def test_without_the_lock_both_overdraw_it(
    emptied_database: None, works: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control: with the lock off, both requests read the lot before either writes.

    Only what would stop the second one by accident (the unique sequence and code) is kept apart.
    """
    lot = received(works)
    both_have_read = threading.Barrier(2, timeout=30)
    numbers = iter(range(1, 100))

    def read_without_lock() -> posting._Books:
        head = LedgerHead.objects.get(pk=1)
        return posting._Books(
            head.last_sequence + 10 * next(numbers),
            head.last_digest,
            head.last_recorded_at,
            works.house.pk,
            None,
            None,
        )

    checked = overdraft.check_not_below_zero

    def check_then_wait(*args: Any) -> None:
        checked(*args)
        both_have_read.wait()

    codes = iter(range(1, 100))
    monkeypatch.setattr(recording, "lock_ledger", read_head)
    monkeypatch.setattr(posting, "_read_books", read_without_lock)
    monkeypatch.setattr(posting, "check_not_below_zero", check_then_wait)
    for module in ("process_batches", "lot_register"):
        monkeypatch.setattr(
            f"lots.services.{module}.next_code", lambda *_: f"control-{next(codes)}"
        )
    answers = together(sixty_grams(works, lot, "one"), sixty_grams(works, lot, "two"))
    assert all(isinstance(answer, ProcessBatch) for answer in answers), answers
    assert holding(lot).metals == {"Ag": -20_000_000}
    below = {result.check.name: result for result in run_checks()}["lot-never-below-zero"]
    assert below.found == 1
    assert connection.vendor == "postgresql"
    assert Entry.objects.filter(lot=lot).count() == 3
