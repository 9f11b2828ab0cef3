"""The office's forms of parties, places and balances: added, edited on the version seen."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.test import Client
from django.urls import reverse

from lots.ledger.recording import Act
from lots.models import Balance, Party
from tests.builders import receive


@pytest.fixture
def office(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    return browse_as(works.manager)


def test_party_is_added_once_and_then_edited(office: Client) -> None:
    sent = {
        "key": "a",
        "code": "craft",
        "name": "St Bryde's",
        "kind": "customer",
        "is_active": "on",
    }
    for _ in range(2):
        answer = office.post(reverse("party-add"), sent)
        assert (answer.status_code, answer.url) == (302, reverse("parties"))
    party = Party.objects.get(code="craft")
    edited = sent | {"key": "b", "name": "St Bryde's Craft School", "version": party.version}
    assert office.post(reverse("party-edit", args=["craft"]), edited).status_code == 302
    assert "St Bryde&#x27;s Craft School" in office.get(reverse("parties")).content.decode()
    late = edited | {"key": "c", "name": "Someone else's"}
    refused = office.post(reverse("party-edit", args=["craft"]), late)
    assert refused.status_code == 409
    assert refused.context["form"].has_error("version", "version_conflict")
    party.refresh_from_db()
    assert party.name == "St Bryde's Craft School"


def test_balance_left_alone_is_not_changed_by_its_form(
    office: Client, works: SimpleNamespace
) -> None:
    Balance.objects.update(readability_ug=80_512)
    shown = office.get(reverse("balance-edit", args=["bench"])).context["form"]
    sent = {name: shown[name].value() for name in shown.fields} | {"key": "a"}
    assert office.post(reverse("balance-edit", args=["bench"]), sent).status_code == 302
    balance = Balance.objects.get()
    assert (balance.version, balance.readability_ug) == (2, 80_512)
    assert balance.capacity_ug == works.balance.capacity_ug


def test_place_in_use_stays_in_use(
    office: Client, works: SimpleNamespace, browser: Client, act: Callable[..., Act]
) -> None:
    receive(works, act())
    place = works.places["feed-shelf"]
    sent = {"key": "a", "code": place.code, "name": place.name, "area": place.area, "version": "1"}
    refused = office.post(reverse("place-edit", args=[place.code]), sent)
    assert refused.context["form"].has_error("is_active", "place_in_use")
    assert browser.get(reverse("places")).status_code == 403


def test_a_lot_and_a_claim_of_the_first_day_come_on_the_books(
    office: Client, works: SimpleNamespace
) -> None:
    lot = {
        "key": "a",
        "form": "granules",
        "owner": works.house.pk,
        "place": works.places["feed-shelf"].pk,
        "mass": "1000 g",
        "metals-Ag": "925 g",
        "metals-Ag-u": "0.5 g",
        "content": "by_difference",
    }
    assert "925.000 g" in office.post(reverse("open-lot"), lot, follow=True).content.decode()
    claim = {"key": "b", "owner": works.brackwater.pk, "metals-Ag": "300 g"}
    assert "300.000 g" in office.post(reverse("open-claim"), claim, follow=True).content.decode()
    heavy = office.post(reverse("open-lot"), lot | {"key": "c", "metals-Ag": "1001 g"})
    assert heavy.context["form"].has_error("metals", "metals_above_mass")
