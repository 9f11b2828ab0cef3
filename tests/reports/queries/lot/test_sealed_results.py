"""What a customer may not see yet: until when, of which lots, and what follows from them."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from lots.feed.event_delivery import deliver_due
from lots.feed.events import events_after
from lots.feed.subscriptions import Wanted, subscribe
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.rulings import rule_assay
from lots.measurements.withdrawal import withdraw_assay
from lots.models import DeliveryNote, EventDelivery, Lot, Movement, Party, ProcessBatch
from lots.services.blending import Blend, blend_lots
from lots.services.delivery import Delivered, deliver
from lots.services.melting import Melted, melt_lot
from lots.services.ownership import change_owner
from lots.services.process_batches import Inputs, start_batch
from lots.services.taking import Take
from reports.queries.account_statement import account_statement
from reports.queries.lot.customer_view import delivery_shown
from reports.queries.lot.lot_answer import lot_answer
from reports.queries.lot.sealed_results import sealed_for
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms
from tests.builders import receive
from tests.conftest import MORNING
from tests.refused import refused

SILVER = {"metal": "Ag", "splitting_limit_ppt": "2"}
TERMS = {"currency": "EUR", "settle_in": "metal", "metals": [SILVER, SILVER | {"metal": "Au"}]}
DAY = (MORNING, MORNING + dt.timedelta(days=1))


@pytest.fixture
def lot(works, act) -> Lot:
    """Isolde's 1000 g of sterling, which the works assayed and ruled; terms exchange Ag and Au."""
    agree(works, act)
    lot = receive(works, act(0), grams=1000, owner=works.brackwater)
    rule_assay(assay=assayed(works, act, lot, Ag="924", Au="1"), reason="Our report.", act=act(1.1))
    return lot


def agree(works, act, **changed):
    day = dt.date(2026, 5, 1)
    return set_terms(customer=works.brackwater, content=TERMS | changed, valid_from=day, act=act(0))


def assayed(works, act, lot, side="house", hours=1.0, **ppt):
    findings = {metal: Finding(Decimal(value), Decimal("0.3")) for metal, value in ppt.items()}
    report = AssayReport("gravimetric", works.laboratory, findings, side=side)
    return record_assay(lot=lot, report=report, act=act(hours))


def melted(works, act, lot, hours=2.0) -> Lot:
    kind = Melted(Lot.Form.GRANULES, works.places["melt-bench"])
    return melt_lot(lot=lot, melted=kind, act=act(hours))


def test_nothing_is_sealed_before_the_works_have_a_result(works, act):
    lot = receive(works, act(0), owner=works.brackwater)
    assert not sealed_for(works.brackwater)
    assayed(works, act, lot, "counterparty", Ag="925")
    assert not sealed_for(works.brackwater)
    assert lot_answer(lot, seen_by=works.brackwater).withheld == ""


def test_the_lot_and_what_is_made_of_it_is_sealed_until_each_metal_of_the_terms_is_in(
    works, act, lot
):
    granules = melted(works, act, lot)
    sealed = sealed_for(works.brackwater)
    assert sealed.came_in == (lot.code,)
    assert set(sealed.lots.values()) == {lot.code, granules.code}
    assert not sealed_for(works.pellow)
    assayed(works, act, granules, "counterparty", 3, Ag="925.5")
    assert sealed_for(works.brackwater), "their gold is still awaited"
    gold = assayed(works, act, granules, "counterparty", 3, Au="1.1")
    assert not sealed_for(works.brackwater)
    withdraw_assay(assay=gold, reason="another lot's", act=act(4))
    assert sealed_for(works.brackwater)


def test_terms_that_exchange_nothing_seal_nothing(works, act):
    agree(works, act, exchanged=False)
    assayed(works, act, receive(works, act(0), owner=works.brackwater), Ag="924")
    assert not sealed_for(works.brackwater)


def test_without_terms_any_result_of_theirs_opens_the_lot(works, act):
    lot = receive(works, act(0), owner=works.brackwater)
    assayed(works, act, lot, Ag="924", Cu="70")
    assert sealed_for(works.brackwater)
    assayed(works, act, lot, "counterparty", Ag="925")
    assert not sealed_for(works.brackwater)


def test_a_result_of_another_sample_than_the_terms_name_opens_nothing(works, act, lot):
    agree(works, act, sampling_basis="after_melt")
    granules = melted(works, act, lot)
    assayed(works, act, lot, "counterparty", 3, Ag="925", Au="1")
    assayed(works, act, granules, hours=3, Ag="924.2", Au="1")
    assert sealed_for(works.brackwater)
    assayed(works, act, granules, "counterparty", 3, Ag="925", Au="1")
    assert not sealed_for(works.brackwater)


def test_a_lot_blended_with_a_sealed_one_is_not_opened_by_that_ones_result(works, act, lot):
    other = receive(works, act(0), grams=100, owner=works.brackwater)
    assayed(works, act, other, Ag="923")
    assayed(works, act, other, "counterparty", Ag="925")
    blend = blend_lots(
        takes=[Take(lot, mass_ug=500_000_000), Take(other)],
        blend=Blend(Lot.Form.GRANULES, works.places["melt-bench"]),
        act=act(2),
    )
    sealed = sealed_for(works.brackwater)
    assert set(sealed.lots.values()) == {lot.code, blend.code}
    answer = lot_answer(other, seen_by=works.brackwater)
    assert lot.code in answer.withheld
    assert (answer.metals[0].entered_ug, answer.parts) == (92_500_000, ())
    assert len(answer.evidence.assays) == 2


def test_the_account_stands_as_declared_and_the_works_see_what_is(works, act, lot):
    change_owner(lot=lot, owner=works.house, as_claim=True, act=act(2))
    seen = account_statement(works.brackwater, *DAY, is_theirs=True)
    silver = next(each for each in seen.metals if each.metal == "Ag")
    assert [(line.kind, line.change_ug) for line in silver.lines] == [("Receipt", 925_000_000)]
    assert (silver.kept_apart_ug, silver.claim_ug) == (925_000_000, 0)
    assert {each.metal for each in seen.metals} == {"Ag", "Cu"}
    assert lot.code in seen.withheld
    known = account_statement(works.brackwater, *DAY)
    assert {each.metal: each.closing_ug for each in known.metals}["Ag"] == 924_000_000
    assert known.withheld == ""


def test_a_receipt_taken_back_leaves_the_account_with_nothing(works, act):
    lot = receive(works, act(0), owner=works.brackwater)
    assayed(works, act, lot, Ag="924")
    reverse_movement(movement=Movement.objects.latest("sequence"), reason="not ours", act=act(2))
    seen = account_statement(works.brackwater, *DAY, is_theirs=True)
    assert {each.metal: each.closing_ug for each in seen.metals} == {"Ag": 0, "Cu": 0}


def test_a_ruling_after_all_has_gone_to_the_pool_is_left_out_too(works, act):
    agree(works, act)
    lot = receive(works, act(0), owner=works.brackwater)
    start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        keep_apart=False,
        act=act(1),
    )
    ours = assayed(works, act, lot, hours=2, Ag="924")
    rule_assay(assay=ours, reason="Our report.", act=act(2))
    seen = account_statement(works.brackwater, *DAY, is_theirs=True)
    assert {each.metal: each.closing_ug for each in seen.metals}["Ag"] == 92_500_000


def test_the_delivery_note_leaves_out_what_follows_from_the_works_result(works, act, lot):
    mixed = blend_lots(
        takes=[Take(lot, mass_ug=500_000_000), Take(receive(works, act(0), grams=50))],
        blend=Blend(Lot.Form.GRANULES, works.places["melt-bench"]),
        keep_apart=False,
        act=act(2),
    )
    owed = receive(works, act(0), grams=200, owner=works.brackwater)
    change_owner(lot=owed, owner=works.house, as_claim=True, act=act(2))
    house = receive(works, act(0), grams=10, declared={"Ag": Decimal(999)})
    note = deliver(
        kind=DeliveryNote.Kind.RETURN,
        party=works.brackwater,
        items=[Delivered(each) for each in (lot, mixed, house)],
        act=act(3),
    )
    shown = delivery_shown(note)
    assert [each.metals for each in shown.lots] == [{}, {}, {"Ag": 9_990_000}]
    assert [each.mass_ug for each in shown.lots] == [500_000_000, 550_000_000, 10_000_000]
    assert shown.metals == {"Ag": 9_990_000}
    assert lot.code in shown.withheld


def test_events_pass_over_what_a_sealed_result_ruled(works, act, lot):
    def kinds(party: Party | None) -> list[str]:
        return [each.kind for each in events_after(0, party=party).events]

    assert kinds(works.brackwater) == ["receipt"]
    assert kinds(None) == ["receipt", "assay_difference"]
    assayed(works, act, lot, "counterparty", Ag="925", Au="1")
    assert kinds(works.brackwater) == ["receipt", "assay_difference"]


@pytest.mark.parametrize("state", ["retrying", "resend"])
def test_an_event_kept_back_since_is_given_up_and_not_sent(works, act, lot, state, settings):
    settings.WEBHOOK_PRIVATE_NETWORKS = ["127.0.0.0/8"]
    settings.WEBHOOK_PLAIN_HTTP = True
    wanted = Wanted("shop system", "http://127.0.0.1:9/", after=2, party=works.brackwater)
    subscription = subscribe(wanted=wanted, act=act(2, who=works.manager))
    late = EventDelivery.objects.create(
        subscription=subscription,
        sequence=2,
        tries=1,
        first_tried_at=MORNING,
        last_tried_at=MORNING,
        state=state,
    )
    deliver_due()
    late.refresh_from_db()
    assert (late.state, late.last_failure) == ("given_up", "kept_back")


def test_a_provisional_settlement_rests_on_what_was_declared_while_results_are_awaited(
    works, act, lot
):
    agree(works, act, metals=[SILVER])

    def agreed() -> tuple[object, bool]:
        office = act(3, who=works.accountant)
        draft = prepare_settlement(lot=lot, kind="provisional", act=office)
        approve_settlement(settlement=draft, act=act(4, who=works.manager))
        (line,) = (each for each in draft.lines if each["key"] == "Ag_agreed")
        return line["value"], draft.case["metals"][0]["house"] is not None

    assert agreed() == ("925.000", False)
    assert sealed_for(works.brackwater)
    assayed(works, act, lot, "counterparty", Ag="925")
    assert agreed() == ("924.500", True)


def test_a_provisional_settlement_of_what_nobody_declared_waits_for_the_result(works, act, lot):
    granules = melted(works, act, lot)
    office = act(3, who=works.accountant)
    with refused("result_missing", "assays"):
        prepare_settlement(lot=granules, kind="provisional", act=office)


def test_a_final_settlement_opens_what_it_shows(works, act, lot):
    theirs = assayed(works, act, lot, "counterparty", Ag="925", Au="1")
    change_owner(lot=lot, owner=works.house, as_claim=True, act=act(2))
    draft = prepare_settlement(lot=lot, kind="final", act=act(3, who=works.accountant))
    approve_settlement(settlement=draft, act=act(4, who=works.manager))
    withdraw_assay(assay=theirs, reason="another lot's", act=act(5))
    assert not sealed_for(works.brackwater)


def test_the_queries_do_not_grow_with_the_lots_awaited(
    works, act, lot, django_assert_max_num_queries
):
    for _ in range(3):
        assayed(works, act, receive(works, act(0), owner=works.brackwater), Ag="924")
    with django_assert_max_num_queries(40):
        account_statement(works.brackwater, *DAY, is_theirs=True)
