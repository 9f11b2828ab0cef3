"""One transaction, one writer, once per key."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from types import SimpleNamespace

import pytest
from django.core.files.base import ContentFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from lots import clock
from lots.ledger.recording import (
    Act,
    fingerprint_of,
    lock_ledger,
    recorded_once,
    remember_answer,
)
from lots.measurements.weighings import Weight, record_weighing
from lots.models import LedgerHead, Lot, Movement, RecordedRequest, Weighing
from lots.services.receipt import receive_lot
from tests.builders import receipt_of, receive, row_counts
from tests.conftest import MORNING
from tests.refused import refused

Make = Callable[..., Act]


def test_a_repeat_returns_the_same_thing_and_writes_nothing(
    works: SimpleNamespace, act: Make
) -> None:
    receipt = receipt_of(works)
    first = receive_lot(receipt=receipt, act=act(key="k"))
    before = row_counts()
    with CaptureQueriesContext(
        connection,
    ) as queries:
        again = receive_lot(receipt=receipt, act=act(key="k"))
    assert again == first
    assert row_counts() == before
    written = [each["sql"] for each in queries if each["sql"].startswith(("INSERT", "UPDATE"))]
    assert written == []


def test_a_repeat_is_answered_alike_after_the_thing_has_moved_on(
    works: SimpleNamespace, act: Make
) -> None:
    receipt = receipt_of(works)
    lot = receive_lot(receipt=receipt, act=act(key="k"))
    Lot.objects.filter(pk=lot.pk).update(description="relabelled")
    assert receive_lot(receipt=receipt, act=act(key="k")).pk == lot.pk


@pytest.mark.parametrize("change", ["moment", "note", "receipt"])
def test_the_same_key_for_another_request_is_refused(
    works: SimpleNamespace, act: Make, change: str
) -> None:
    receive_lot(receipt=receipt_of(works), act=act(key="k"))
    other = receipt_of(works, 101) if change == "receipt" else receipt_of(works)
    acts = {"moment": act(1, "k"), "note": act(key="k", note="x"), "receipt": act(key="k")}
    with refused("idempotency_key_reused", "Idempotency-Key") as caught:
        receive_lot(receipt=other, act=acts[change])
    assert caught.value.status == 409


def test_the_same_key_for_another_service_is_refused(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(key="k"))
    with refused("idempotency_key_reused", "Idempotency-Key"):
        record_weighing(
            lot=lot, weight=Weight(1000, 0, works.balance), purpose="check", act=act(key="k")
        )


def test_without_a_key_every_request_is_a_new_one(works: SimpleNamespace, act: Make) -> None:
    receipt = receipt_of(works)
    first, second = (receive_lot(receipt=receipt, act=act()) for _ in range(2))
    assert first != second
    assert not RecordedRequest.objects.exists()


def test_a_refused_request_leaves_its_key_free(works: SimpleNamespace, act: Make) -> None:
    with refused("not_positive", "weight.gross"):
        receive_lot(receipt=receipt_of(works, 0), act=act(key="k"))
    assert receive_lot(receipt=receipt_of(works, 1), act=act(key="k")).pk


def test_a_failure_half_way_writes_nothing(works: SimpleNamespace, act: Make) -> None:
    @recorded_once
    def receive_then_stumble(*, act: Act) -> Lot:
        receive_lot(receipt=receipt_of(works), act=act)
        raise RuntimeError("the lights went out")

    before = row_counts()
    with pytest.raises(RuntimeError):
        receive_then_stumble(act=act(key="k"))
    assert row_counts() == before


def test_without_a_moment_it_happened_now(works: SimpleNamespace) -> None:
    noon = MORNING.replace(hour=12)
    with clock.at(noon):
        receive_lot(receipt=receipt_of(works), act=Act(works.operator))
    assert Movement.objects.get().occurred_at == noon
    assert Weighing.objects.get().taken_at == noon


def test_a_repeat_without_a_moment_is_the_same_request_later(works: SimpleNamespace) -> None:
    receipt = receipt_of(works)
    with clock.at(MORNING):
        first = receive_lot(receipt=receipt, act=Act(works.operator, key="k"))
    with clock.at(MORNING + dt.timedelta(hours=1)):
        assert receive_lot(receipt=receipt, act=Act(works.operator, key="k")) == first
    assert Movement.objects.count() == 1


@pytest.mark.parametrize(
    ("changed", "code", "field"),
    [
        ({"key": "k" * 81}, "too_long", "Idempotency-Key"),
        ({"note": "n" * 501}, "too_long", "note"),
        ({"occurred_at": dt.datetime(2026, 5, 4, 9, 0)}, "no_time_zone", "occurred_at"),
    ],
)
def test_an_act_that_cannot_be_is_refused(
    works: SimpleNamespace, changed: dict[str, object], code: str, field: str
) -> None:
    with refused(code, field):
        receive_lot(receipt=receipt_of(works), act=Act(works.operator, **changed))  # type: ignore[arg-type]


def test_an_act_at_the_limits_is_accepted(works: SimpleNamespace) -> None:
    receive_lot(
        receipt=receipt_of(works), act=Act(works.assayer, MORNING, key="k" * 80, note="n" * 500)
    )
    request = RecordedRequest.objects.get()
    assert (request.key, request.recorded_by) == ("k" * 80, works.assayer)


def test_what_posts_nothing_is_not_of_the_future_either(works: SimpleNamespace, act: Make) -> None:
    lot, weight = receive(works, act()), Weight(1000, 0, works.balance)
    with refused("in_the_future", "occurred_at"):
        record_weighing(lot=lot, weight=weight, purpose="check", act=act(9.1))
    # The clock of the server was put back since the receipt was recorded.
    with clock.at(MORNING):
        assert record_weighing(lot=lot, weight=weight, purpose="check", act=act(8)).pk


def test_every_service_takes_the_lock_before_it_reads_anything_else(
    works: SimpleNamespace, act: Make
) -> None:
    with CaptureQueriesContext(connection) as queries:
        receive(works, act(key="k"))
    statements = [each["sql"] for each in queries if "SAVEPOINT" not in each["sql"]]
    assert "lots_ledgerhead" in statements[0]
    if connection.features.has_select_for_update:
        assert "FOR UPDATE" in statements[0]


def test_the_lock_is_the_one_row(works: SimpleNamespace, act: Make) -> None:
    receive(works, act())
    head = LedgerHead.objects.get()
    assert lock_ledger().last_digest == head.last_digest != LedgerHead().last_digest


def test_the_first_answer_is_the_one_that_stays(works: SimpleNamespace, act: Make) -> None:
    receive(works, act(key="k"))
    assert remember_answer("k", {"code": "first"}) == {"code": "first"}
    assert remember_answer("k", {"code": "second"}) == {"code": "first"}
    assert remember_answer("", {"code": "third"}) == {"code": "third"}


class Colour(Enum):
    RED = "red"


@dataclass(frozen=True)
class Nested:
    inner: tuple[int, ...]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (Decimal("1.0"), Decimal("1.00")),
        (dt.datetime(2026, 5, 4, 10, tzinfo=dt.timezone(dt.timedelta(hours=1))), MORNING),
        ({"a": 1, "b": 2}, {"b": 2, "a": 1}),
        ({0, 8}, {8, 0}),  # sets that iterate as they were filled
        ([1, 2], (1, 2)),
        (ContentFile(b"x", name="a.png"), ContentFile(b"x", name="a.png")),
    ],
)
def test_equal_requests_have_equal_fingerprints(one: object, other: object) -> None:
    assert fingerprint_of("do", {"value": one}) == fingerprint_of("do", {"value": other})


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (Decimal("1.0"), Decimal("1.01")),
        (Decimal(1), 1),
        (1, "1"),
        (True, "True"),
        (None, ""),
        (b"x", b"y"),
        (ContentFile(b"x", name="a.png"), ContentFile(b"y", name="a.png")),
        (ContentFile(b"x", name="a.png"), ContentFile(b"x", name="b.png")),
        (Nested((1, 2)), Nested((2, 1))),
        ([1, 2], [2, 1]),
        (dt.date(2026, 5, 4), dt.date(2026, 5, 5)),
    ],
)
def test_different_requests_have_different_fingerprints(one: object, other: object) -> None:
    assert fingerprint_of("do", {"value": one}) != fingerprint_of("do", {"value": other})


def test_a_fingerprint_knows_the_service_and_its_limits() -> None:
    assert fingerprint_of("do", {}) != fingerprint_of("undo", {})
    with pytest.raises(TypeError, match="has no fingerprint"):
        fingerprint_of("do", {"value": object()})


def test_a_file_is_read_again_after_its_fingerprint() -> None:
    file = ContentFile(b"x", name="a.png")
    fingerprint_of("do", {"value": file})
    assert file.read() == b"x"


def test_a_choice_is_its_value_in_a_fingerprint() -> None:
    melt = fingerprint_of("do", {"value": Movement.Kind.MELT})
    assert melt == fingerprint_of("do", {"value": "melt"})
    with pytest.raises(TypeError):
        fingerprint_of("do", {"value": Colour.RED})
