"""Builders for the lots' tests: a received lot, and proofs that nothing, or all, came back."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.db.models import Sum

from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import Weight
from lots.models import AssayRuling, ClaimEntry, Entry, Lot, MaterialEntry, Movement, Place
from lots.services.opening import Amount, Opening, open_lot
from lots.services.receipt import Receipt, receive_lot
from lots.services.splitting import Part, split_lot

G = 1_000_000


@pytest.fixture
def laboratory_shelf(works: SimpleNamespace) -> Place:
    return Place.objects.create(code="sample-shelf", name="Sample shelf", area="laboratory")


@pytest.fixture
def received(works: SimpleNamespace, act: Callable[..., Any]) -> Callable[..., Lot]:
    """Receives a lot of `grams` with declared fineness, an hour after opening unless told."""

    def receive(grams: int = 1000, hours: float = 0, owner: Any = None, **given: Any) -> Lot:
        owner = owner or works.brackwater
        declared = given.pop("declared", {"Ag": "925", "Cu": "75"})
        receipt = Receipt(
            party=given.pop("party", owner),
            owner=owner,
            form=given.pop("form", Lot.Form.GRANULES),
            place=works.places["feed-shelf"],
            weight=given.pop("weight", Weight((grams + 10) * G, 10 * G, works.balance)),
            declared={metal: Decimal(ppt) for metal, ppt in declared.items()},
            **given,
        )
        return receive_lot(receipt=receipt, act=act(hours))

    return receive


@pytest.fixture
def report(works: SimpleNamespace) -> Callable[..., AssayReport]:
    """A fire assay by the works' laboratory: metal -> parts per thousand, u = 0.5."""

    def make(values: dict[str, str], **given: Any) -> AssayReport:
        u = Decimal(given.pop("u", "0.5"))
        return AssayReport(
            method="fire_assay",
            laboratory=works.laboratory,
            findings={metal: Finding(Decimal(value), u) for metal, value in values.items()},
            **given,
        )

    return make


def books() -> dict[str, Any]:
    """Every balance on the books: lots, accounts, material, claims; zeros left out."""

    def sums(rows: Any, *keys: str, column: str = "mass_ug") -> dict[Any, int]:
        totals = rows.order_by().values_list(*keys).annotate(total=Sum(column))
        return {row[:-1]: row[-1] for row in totals if row[-1]}

    return {
        "lots": sums(Entry.objects.filter(lot__isnull=False), "lot__code", "owner__code", "metal"),
        "accounts": sums(Entry.objects.filter(account__isnull=False), "account__code", "metal"),
        "mass": sums(MaterialEntry.objects, "lot__code"),
        "volume": sums(MaterialEntry.objects, "lot__code", column="volume_ul"),
        "claims": sums(ClaimEntry.objects, "owner__code", "metal"),
    }


def standings() -> dict[str, Any]:
    """What lists show of each lot that holds something."""
    return {
        lot.code: (lot.place_id, lot.owner_id, lot.state, lot.content)
        for lot in Lot.objects.filter(material_entries__isnull=False).distinct()
        if lot.state != Lot.State.SPENT
    }


@pytest.fixture
def comes_back(works: SimpleNamespace, act: Callable[..., Any]) -> Callable[..., Any]:
    """Asserts that what the block records changes the books, and that reversing it restores them.

    Movements of the block are reversed last to first.
    """
    keys = itertools.count()

    @contextmanager
    def check() -> Iterator[None]:
        before, stood = books(), standings()
        last = Movement.objects.order_by("sequence").last()
        yield
        posted = Movement.objects.filter(sequence__gt=last.sequence if last else 0)
        assert posted
        assert (books(), standings()) != (before, stood)
        for movement in posted.order_by("-sequence"):
            reverse_movement(
                movement=movement, reason="mis-keyed", act=act(9, f"back-{next(keys)}")
            )
        assert books() == before
        assert standings() == stood

    return check


@pytest.fixture
def solution(works: SimpleNamespace, act: Callable[..., Any]) -> Callable[..., Lot]:
    """A solution on the books since opening: so many millilitres holding so much silver."""

    def make(volume_ml: int = 1000, silver_g: int = 50, hours: float = 0, **given: Any) -> Lot:
        opening = Opening(
            form=given.pop("form", Lot.Form.SOLUTION),
            owner=given.pop("owner", works.house),
            place=works.places["carboys"],
            metals={"Ag": Amount(silver_g * G)},
            volume_ul=volume_ml * 1000,
        )
        return open_lot(opening=opening, act=act(hours))

    return make


@pytest.fixture
def split(act: Callable[..., Any]) -> Callable[..., list[Lot]]:
    """Divides parts of so many grams from a lot."""

    def divide(lot: Lot, *grams: int, hours: float = 1) -> list[Lot]:
        parts = [Part(mass_ug=each * G) for each in grams]
        movement = split_lot(lot=lot, parts=parts, act=act(hours))
        return [each.lot for each in movement.standings.order_by("id")]

    return divide


@pytest.fixture
def rule(act: Callable[..., Any], report: Callable[..., AssayReport]) -> Callable[..., AssayRuling]:
    """Has the works' laboratory assay a lot, and rules by what it found."""

    def decide(lot: Lot, values: dict[str, str], hours: float = 6, **given: Any) -> AssayRuling:
        assay = record_assay(lot=lot, report=report(values, **given), act=act(hours))
        return rule_assay(assay=assay, reason="our own assay", act=act(hours))

    return decide
