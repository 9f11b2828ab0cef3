"""Deliveries on pages: what is owed before and after, the note, and taking it back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.urls import reverse

from lots.ledger.holdings import claims_of
from lots.local_law import LOCAL_LAW
from lots.models import DeliveryNote, Lot, Weighing
from lots.services.delivery import Delivered, deliver
from lots.services.opening import open_claim
from lots.services.receipt import receive_lot
from reports.queries.delivery_effect import effect_of_note, effect_of_plan
from reports.queries.obligations import obligations
from tests.builders import receipt_of, receive, row_counts

G = 1_000_000


@pytest.fixture
def fine(works, act):
    """Fine crystal of the house, with a trace of copper (invented)."""

    def make(grams=500):
        declared = {"Ag": Decimal("999.5"), "Cu": Decimal("0.2")}
        receipt = receipt_of(works, grams, declared, form=Lot.Form.FINE_CRYSTAL)
        return receive_lot(receipt=receipt, act=act(0))

    return make


@pytest.fixture
def owed(works, act):
    open_claim(owner=works.brackwater, metals={"Ag": 1000 * G}, act=act(0))
    open_claim(owner=works.pellow, metals={"Ag": 200 * G}, act=act(0))


def entries(party, lots, **changed):
    return {
        "key": "note-1",
        "kind": "return",
        "party": party.pk,
        "carrier": "Van, one box, seal 40417 (invented)",
        "lots-lot": [lot.code for lot in lots],
        "lots-gross": changed.pop("gross", [""] * len(lots)),
        "lots-tare": changed.pop("tare", [""] * len(lots)),
        **changed,
    }


def positions():
    (silver,) = [each for each in obligations().metals if each.metal == "Ag"]
    return silver.owed_ug, silver.cover, silver.deliverable_cover


def test_a_return_shows_what_it_does_to_what_is_owed_before_and_after(browser, works, fine, owed):
    lots = [fine(500), fine(300)]
    fine(900)
    given = entries(works.brackwater, lots, gross=["500.1 g", ""], balance=works.balance.pk)
    before = positions()
    shown = browser.get(reverse("delivery-effect"), given)
    (planned,) = shown.context["effect"]
    assert (planned.owed_before_ug, planned.owed_after_ug) == (1000 * G, 200_400_000)
    assert (planned.pool_before.owed_ug, planned.pool_before.cover) == before[:2]
    assert not DeliveryNote.objects.exists()
    answer = browser.post(reverse("deliver"), given)
    note = DeliveryNote.objects.get()
    assert answer.url == reverse("delivery", args=[note.code])
    after = positions()
    assert after == (400_400_000, planned.pool_after.cover, planned.pool_after.deliverable_cover)
    # 899.55 g are left against 400.4 g owed.
    assert (after[1], before[1]) == (Decimal("2.2466"), Decimal("1.4160"))
    page = browser.get(answer.url)
    assert page.context["effect"] == [planned]
    text = page.content.decode()
    for said in (note.code, "seal 40417", "at the door 500.100 g", "1.4160", "2.2466", "Isolde"):
        assert said in text, said
    assert LOCAL_LAW[:40] in text
    assert Weighing.objects.get(purpose="shipment").entered_as == "500.1 g"
    # Sent again, it is the same note.
    assert browser.post(reverse("deliver"), given).url == answer.url
    assert DeliveryNote.objects.count() == 1
    assert note.code in browser.get(reverse("deliveries"), {"party": "brackwater"}).content.decode()
    assert note.code not in browser.get(reverse("deliveries"), {"lot": "x"}).content.decode()
    on_lot = browser.get(reverse("lot", args=[lots[0].code])).content.decode()
    assert reverse("delivery", args=[note.code]) in on_lot


def test_the_note_prints_as_a_paper(browser, works, act, fine):
    items = [Delivered(fine())]
    note = deliver(kind="shipment", party=works.pellow, items=items, act=act(1))
    paper = browser.get(reverse("delivery-paper", args=[note.code]))
    assert paper["Content-Type"] == "application/pdf"
    assert paper.content.startswith(b"%PDF-")
    assert note.code in paper["Content-Disposition"]
    assert browser.get(reverse("delivery-paper", args=["DN26-9999-9"])).status_code == 404


def test_a_shipment_takes_nothing_off_what_is_owed_and_lowers_the_cover(works, act, fine, owed):
    lot = fine(500)
    fine(900)
    (planned,) = effect_of_plan("shipment", works.pellow, [Lot.objects.get(pk=lot.pk)])
    assert (planned.charged_ug, planned.pool_after.owed_ug) == (0, 1200 * G)
    assert planned.pool_after.cover < planned.pool_before.cover
    note = deliver(kind="shipment", party=works.pellow, items=[Delivered(lot)], act=act(1))
    assert effect_of_note(note) == [planned]


def test_a_lot_kept_apart_was_never_in_what_is_owed(works, act, fine, owed):
    own = receive(works, act(0), owner=works.brackwater)
    (planned,) = effect_of_plan("return", works.brackwater, [own])
    assert (planned.leaving_ug, planned.charged_ug) == (92_500_000, 0)
    assert planned.pool_before == planned.pool_after
    note = deliver(kind="return", party=works.brackwater, items=[Delivered(own)], act=act(1))
    assert effect_of_note(note) == [planned]


def test_more_than_is_owed_is_told_before_and_refused(browser, works, fine, owed):
    given = entries(works.pellow, [fine(500)])
    shown = browser.get(reverse("delivery-effect"), given)
    assert "more than is owed" in shown.content.decode()
    before = row_counts()
    answer = browser.post(reverse("deliver"), given)
    assert answer.status_code == 409
    (error,) = answer.context["form"].errors.get_json_data()["lots"]
    assert error["code"] == "claim_overdrawn"
    assert row_counts() == before


@pytest.mark.parametrize(
    ("changed", "field", "code"),
    [
        ({"kind": "gift"}, "kind", "invalid_choice"),
        ({"party": ""}, "party", "required"),
        ({"lots-lot": []}, "lots", "required"),
        ({"lots-lot": ["GR26-0001-X"]}, "lots", "bad_check_character"),
        ({"carrier": "x" * 201}, "carrier", "max_length"),
        ({"lots-gross": ["500"]}, "lots", "not_a_number"),
        ({"lots-gross": ["500 g"]}, "balance", "required"),
        ({"lots-tare": ["5 g"]}, "lots", "required"),
        ({"occurred_at": "2031-01-01T10:00"}, "occurred_at", "in_the_future"),
    ],
)
def test_a_delivery_that_cannot_be_is_refused_beside_its_field(
    browser, works, fine, owed, changed, field, code
):
    given = {**entries(works.brackwater, [fine()]), **changed}
    before = row_counts()
    answer = browser.post(reverse("deliver"), given)
    assert answer.status_code == 400
    errors = answer.context["form"].errors.get_json_data()
    assert [each["code"] for each in errors[field]] == [code]
    assert row_counts() == before


def test_the_form_begins_with_the_lot_and_its_owner(browser, works, act):
    own = receive(works, act(0), owner=works.brackwater)
    form = browser.get(reverse("deliver-lot", args=[own.code])).context["form"]
    assert form.initial["lots"] == [(own.code, "", "")]
    assert (form.initial["kind"], form.initial["party"]) == ("return", works.brackwater.pk)


def test_a_whole_note_is_taken_back_and_says_so(browser, works, act, fine, owed):
    lots = [fine(500), fine(300)]
    note = deliver(
        kind="return",
        party=works.brackwater,
        items=[Delivered(each) for each in lots],
        act=act(1),
    )
    before = positions()
    address = reverse("delivery-take-back", args=[note.code])
    assert browser.post(address, {"key": "back-0", "reason": ""}).status_code == 400
    assert positions() == before
    answer = browser.post(address, {"key": "back-1", "reason": "never collected"})
    assert answer.url == reverse("delivery", args=[note.code])
    assert claims_of(works.brackwater) == {"Ag": 1000 * G}
    page = browser.get(answer.url)
    assert page.content.decode().count("taken back</span>") == 2
    assert page.context["effect"] == []
    assert not page.context["can_take_back"]
    again = browser.post(address, {"key": "back-2", "reason": "once more"})
    assert again.status_code == 409
