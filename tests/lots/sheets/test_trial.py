"""On trial a service checks all it checks, and the database itself keeps anything from staying."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext

from config.refusals import InvalidError
from lots.codes import parse_code
from lots.ledger.recording import Act
from lots.models import LedgerHead, Lot, LotNumber
from lots.services.receipt import receive_lot
from lots.sheets.trial import on_trial
from tests.builders import receipt_of, receive, row_counts
from tests.lots.conftest import books


def test_what_is_tried_is_answered_as_if_recorded_and_leaves_nothing(
    works: SimpleNamespace, act: Callable[..., Act]
) -> None:
    receive(works, act())
    before = row_counts(), books(), LedgerHead.objects.values().get(), LotNumber.objects.get()
    with on_trial():
        codes = {receive(works, act(key="once")).code for _ in range(3)}
    after = row_counts(), books(), LedgerHead.objects.values().get(), LotNumber.objects.get()
    assert after == before
    assert len(codes) == 3
    assert not Lot.objects.filter(code__in=codes).exists()
    assert parse_code(receive(works, act(key="once")).code).number == 2


def test_on_trial_a_service_refuses_what_it_always_refuses(
    works: SimpleNamespace, act: Callable[..., Act]
) -> None:
    label = receive(works, act()).code
    with on_trial():
        with pytest.raises(InvalidError, match="in the future"):
            receive(works, act(hours=30))
        with pytest.raises(ValueError, match="already on another lot"):
            receive_lot(receipt=receipt_of(works, code=label), act=act())
    receive(works, act())
    assert Lot.objects.count() == 2


def test_the_database_refuses_a_write_that_no_service_makes_so(works: SimpleNamespace) -> None:
    sneaky = "WITH one AS (SELECT 1) UPDATE lots_ledgerhead SET last_sequence = 7"
    with on_trial(), connection.cursor() as cursor:
        with pytest.raises(DatabaseError), transaction.atomic():
            cursor.execute(sneaky)
        assert LedgerHead.objects.get().last_sequence == 0
    with connection.cursor() as cursor:
        cursor.execute(sneaky)
    assert LedgerHead.objects.get().last_sequence == 7


def test_after_a_trial_that_ended_in_a_refusal_all_is_written_as_ever(
    works: SimpleNamespace, act: Callable[..., Act]
) -> None:
    with pytest.raises(InvalidError), on_trial():
        receive(works, act(hours=30))
    assert not Lot.objects.exists()
    receive(works, act())
    assert LedgerHead.objects.get().last_sequence == Lot.objects.count() == 1


def test_a_ledger_that_has_no_seal_yet_is_not_read_whole_on_trial(
    works: SimpleNamespace, act: Callable[..., Act]
) -> None:
    receive(works, act())
    LedgerHead.objects.update(last_seal=0)
    with CaptureQueriesContext(connection) as asked, on_trial():
        receive(works, act())
    assert not [each for each in asked if "lots_seallayout" in str(each["sql"])]
