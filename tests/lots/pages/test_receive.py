"""Receiving through the page: posted once, its receipt, and each refusal beside its field."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from django.test import Client
from django.urls import reverse

from lots.ledger.holdings import holding
from lots.models import Lot, Movement
from tests.builders import row_counts


@pytest.fixture
def sent(works: SimpleNamespace) -> dict[str, str]:
    return {
        "key": "page-one",
        "party": str(works.brackwater.pk),
        "form": "feed",
        "place": str(works.places["feed-shelf"].pk),
        "gross": "1 302.4 g",
        "tare": "",
        "balance": str(works.balance.pk),
        "declared-Ag": "925",
        "declared-Cu": "75",
        "occurred_at": "2026-05-04T09:30",
    }


def test_received_lot_shows_its_receipt_and_its_figures(
    browser: Client, sent: dict[str, str]
) -> None:
    answer = browser.post(reverse("receive"), sent, follow=True)
    lot = Lot.objects.get()
    movement = Movement.objects.get()
    assert answer.redirect_chain == [(reverse("lot", args=[lot.code]), 302)]
    assert holding(lot).metals == {"Ag": 1_204_720_000, "Cu": 97_680_000}
    page = answer.content.decode()
    assert lot.code in page
    assert "1\u202f204.720 g" in page
    assert "Take it back" in page
    assert lot.owner.code == "brackwater"
    assert movement.occurred_at.isoformat() == "2026-05-04T09:30:00+00:00"


@pytest.mark.parametrize("bought", ["", "on"])
def test_a_lot_is_refused_before_the_works_is_among_the_parties(
    browser: Client, works: SimpleNamespace, sent: dict[str, str], bought: str
) -> None:
    works.house.delete()
    counts = row_counts()
    answer = browser.post(reverse("receive"), sent | {"bought": bought})
    assert answer.status_code == 409
    assert answer.context["form"].has_error("__all__", "no_house")
    assert "Add a party of kind" in answer.content.decode()
    assert row_counts() == counts


def test_same_form_sent_twice_is_recorded_once(browser: Client, sent: dict[str, str]) -> None:
    first = browser.post(reverse("receive"), sent)
    counts = row_counts()
    second = browser.post(reverse("receive"), sent)
    assert (first.status_code, first.url) == (second.status_code, second.url)
    assert row_counts() == counts


def test_same_key_with_another_weight_is_refused(browser: Client, sent: dict[str, str]) -> None:
    browser.post(reverse("receive"), sent)
    counts = row_counts()
    answer = browser.post(reverse("receive"), sent | {"gross": "1303 g"})
    assert answer.status_code == 409
    assert answer.context["form"].has_error("__all__", "idempotency_key_reused")
    assert "recorded before, with other entries" in answer.content.decode()
    assert row_counts() == counts
    meant = {**sent, "gross": "1303 g", "key": answer.context["form"]["key"].value()}
    assert browser.post(reverse("receive"), meant).status_code == 302
    assert Lot.objects.count() == 2


@pytest.mark.parametrize(
    ("changed", "field", "code"),
    [
        ({"gross": "1302.4"}, "gross", "not_a_number"),
        ({"gross": "12 oz"}, "gross", "ambiguous_unit"),
        ({"gross": "0 g"}, "gross", "not_positive"),
        ({"gross": "1e3 g"}, "gross", "not_a_number"),
        ({"gross": ""}, "gross", "required"),
        ({"tare": "1400 g"}, "tare", "tare_above_gross"),
        ({"gross": "9 kg"}, "gross", "above_capacity"),
        ({"declared-Ag": "1001"}, "declared", "fineness_out_of_range"),
        ({"declared-Ag": "950"}, "declared", "fineness_sum_above_1000"),
        ({"declared-Ag": "NaN"}, "declared", "not_a_number"),
        ({"code": "GR26-0417-2"}, "code", "bad_check_character"),
        ({"occurred_at": "2027-01-01T00:00"}, "occurred_at", "in_the_future"),
        ({"party": "999999"}, "party", "invalid_choice"),
        ({"form": "in_process"}, "form", "invalid_choice"),
        ({"description": "x" * 201}, "description", "max_length"),
    ],
)
def test_refusal_stands_beside_its_field_and_nothing_is_written(
    browser: Client, sent: dict[str, str], changed: dict[str, str], field: str, code: str
) -> None:
    counts = row_counts()
    answer = browser.post(reverse("receive"), sent | changed)
    assert answer.status_code in {400, 409}
    assert answer.context["form"].has_error(field, code), answer.context["form"].errors.as_json()
    assert "Not recorded" in answer.content.decode()
    assert row_counts() == counts


def test_cautions_stand_beside_the_form(browser: Client) -> None:
    page = browser.get(reverse("receive")).content.decode()
    assert "Containers may hold acid" in page
    assert "safety data sheet" in page


def test_every_form_begins_with_a_key_of_its_own(browser: Client) -> None:
    keys = {browser.get(reverse("receive")).context["form"]["key"].value() for _ in range(3)}
    assert len(keys) == 3
