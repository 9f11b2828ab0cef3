"""The search box finds what has a code of its own, for people of the works alone."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from lots import clock
from lots.models import Lot, SheetImport
from lots.queries.search import search
from lots.services.delivery import Delivered, deliver
from reports.models import Settlement
from reports.services.payment import record_payment
from reports.services.settlement_question import ask_question
from tests.builders import receive

SEARCH = "/search/"


@pytest.fixture
def records(
    works: SimpleNamespace, act: Callable[..., Any], in_force: Settlement
) -> dict[str, tuple[str, str]]:
    """Of each kind one, by the heading it is found under: a word of its own, and its page."""
    payment = record_payment(
        customer=works.brackwater,
        settlement=in_force,
        direction="received",
        amount=Decimal(1),
        currency="EUR",
        reference="heronbill till",
        act=act(4, who=works.accountant),
    )
    office = act(4, who=works.accountant)
    question = ask_question(lot=in_force.lot, question="Why so little palladion?", act=office)
    items = [Delivered(receive(works, act(5), grams=20))]
    note = deliver(kind="shipment", party=works.pellow, items=items, act=act(6, note="marramcart"))
    made = SheetImport.objects.create(
        code="XM26-0001-X",
        subject="lots",
        origin="file",
        file_name="dunlinsheet.xlsx",
        layout={},
        row_count=0,
        recorded_at=clock.now(),
        recorded_by=works.operator,
    )
    return {
        "Payments": ("heronbill", reverse("payment", args=[payment.code])),
        "Questions": ("palladion", reverse("question", args=[question.pk])),
        "Delivery notes": ("marramcart", reverse("delivery", args=[note.code])),
        "Imports": ("dunlinsheet", reverse("import", args=[made.code])),
        "Settlements": (in_force.code[:-2], reverse("settlement", args=[in_force.code])),
    }


def test_each_kind_is_found_by_a_word_of_its_own(
    browser: Client, records: dict[str, tuple[str, str]]
) -> None:
    for heading, (word, address) in records.items():
        answer = browser.get(SEARCH, {"q": word})
        page = answer.content.decode()
        assert heading in answer.context["found"].records
        assert f'href="{address}"' in page, heading


def test_a_code_typed_whole_opens_its_page(
    browser: Client, records: dict[str, tuple[str, str]]
) -> None:
    for heading in ("Payments", "Delivery notes", "Settlements"):
        _, address = records[heading]
        spoken = address.rstrip("/").rpartition("/")[2].lower().replace("-", " ")
        assert browser.get(SEARCH, {"q": spoken}).url == address  # type: ignore[attr-defined]


def test_only_the_first_eighty_characters_are_looked_for(
    works: SimpleNamespace, act: Callable[..., Any]
) -> None:
    lot = receive(works, act())
    Lot.objects.filter(pk=lot.pk).update(description="a" * 80)
    assert search("a" * 80 + "b").lots == [lot]
    assert search("a" * 79 + "b").lots == []


def test_a_customer_is_told_of_none_of_it(
    works: SimpleNamespace,
    browse_as: Callable[[object], Client],
    records: dict[str, tuple[str, str]],
) -> None:
    for customer in (works.isolde, works.dane):
        for word, _ in records.values():
            assert browse_as(customer).get(SEARCH, {"q": word}).status_code == 404


def test_more_found_takes_no_more_statements(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any]
) -> None:
    def statements() -> int:
        with CaptureQueriesContext(connection) as seen:
            browser.get(SEARCH, {"q": "marram"})
        return len(seen)

    browser.get(SEARCH, {"q": "marram"})
    few = statements()
    for number in range(3):
        items = [Delivered(receive(works, act(number), grams=20))]
        noted = act(number + 1, note="marram")
        deliver(kind="shipment", party=works.pellow, items=items, act=noted)
    assert statements() == few
