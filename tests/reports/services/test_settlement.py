"""Settling a lot: prepared, approved by a second person, superseded when a fact changes."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from types import SimpleNamespace

import pytest

from config.refusals import ConflictError, ForbiddenError, InvalidError
from lots.ledger.holdings import claims_of
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.weighings import Weight
from lots.models import ClaimEntry, Lot, Movement, Place, ProcessBatch
from lots.services.melting import Melted, melt_lot
from lots.services.process_batches import Inputs, start_batch
from lots.services.receipt import receive_lot
from lots.services.sampling import take_sample
from lots.services.taking import Take
from reports.models import ContractTerms, MetalPrice, Settlement
from reports.queries.lot.settlement_statement import case_of, settlement_statement, statement_of
from reports.services.settlement import (
    approve_settlement,
    prepare_settlement,
    withdraw_settlement,
)
from reports.services.terms import set_terms
from reports.settle import settle
from tests.builders import receipt_of, receive

TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "metals": [
        {
            "metal": "Ag",
            "splitting_limit_ppt": "2",
            "accountability": [{"percent": "99"}],
            "refining_charge_per_ozt": "0.5",
        }
    ],
    "treatment": [{"per_kg": "40"}],
}
DECLARED = {"Ag": Decimal(900), "Cu": Decimal(100)}


@pytest.fixture
def lot(works, act) -> Lot:
    """Isolde's 2500 g, declared at 900; the house found 901.5 and she 900.5."""
    lot = receive(works, act(0), 2500, DECLARED, owner=works.brackwater)
    assayed(works, act, lot, "901.5", "house")
    assayed(works, act, lot, "900.5", "counterparty")
    return lot


@pytest.fixture
def pooled(works, act, lot) -> SimpleNamespace:
    batch = start_batch(
        kind=ProcessBatch.Kind.GRANULATING,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        keep_apart=False,
        act=act(2),
    )
    return SimpleNamespace(lot=lot, batch=batch)


def assayed(works, act, lot, silver, side, hours=1):
    findings = {"Ag": Finding(Decimal(silver), Decimal("0.3"))}
    report = AssayReport("gravimetric", works.laboratory, findings, side=side)
    return record_assay(lot=lot, report=report, act=act(hours))


def terms(works, act, **changed):
    return set_terms(customer=works.brackwater, content=TERMS | changed, act=act(0))


def prepared(lot, act, works, kind="final", hours=3, **more):
    return prepare_settlement(lot=lot, kind=kind, act=act(hours, who=works.accountant), **more)


def approved(settlement, act, works, hours=4):
    return approve_settlement(settlement=settlement, act=act(hours, who=works.manager))


def facts() -> tuple[int, int, int]:
    return (Settlement.objects.count(), Movement.objects.count(), ClaimEntry.objects.count())


def test_a_final_settlement_in_metal_leaves_what_is_payable_as_claim(pooled, works, act):
    terms(works, act)
    settlement = prepared(pooled.lot, act, works)
    assert settlement.payable_ug == {"Ag": 2_229_975_000}  # 2500 g x 901 ppt x 99 %.
    assert settlement.total == Decimal("-135.85")  # 100.00 treatment, 71.696 ozt x 0.50.
    assert claims_of(works.brackwater) == {"Ag": 2_250_000_000, "Cu": 250_000_000}
    settlement = approved(settlement, act, works)
    assert settlement.state == Settlement.State.APPROVED
    assert claims_of(works.brackwater) == {"Ag": 2_229_975_000}
    movement = settlement.movement
    assert (movement.kind, movement.cause) == ("claim", "settlement")
    assert movement.counterparty == works.brackwater
    assert movement.note == f"Settlement {settlement.code}"


def test_a_final_settlement_in_money_settles_the_whole_claim(pooled, works, act):
    terms(works, act, settle_in="money")
    for metal, price, currency, day in (
        ("Ag", 7, "EUR", 1),
        ("Ag", 1, "EUR", 2),
        ("Ag", 2, "USD", 3),
        ("Au", 99, "EUR", 3),
        ("Ag", 8, "EUR", 5),  # The lot came in on the fourth.
    ):
        MetalPrice.objects.create(
            metal=metal,
            per_unit="g",
            price=price,
            currency=currency,
            from_date=dt.date(2026, 5, day),
        )
    settlement = approved(prepared(pooled.lot, act, works), act, works)
    document = settlement_statement(settlement)
    price = next(each.line for each in document.lines if each.line.key == "Ag_price")
    assert price.value == Decimal("31.1035")  # 1 EUR a gram, by the troy ounce.
    assert claims_of(works.brackwater) == {}
    assert settle(case_of(settlement)).lines == statement_of(settlement).lines


def test_a_provisional_settlement_moves_no_claim(pooled, works, act):
    terms(works, act)
    settlement = approved(prepared(pooled.lot, act, works, "provisional"), act, works)
    assert settlement.movement is None
    assert claims_of(works.brackwater)["Ag"] == 2_250_000_000


def test_each_lot_is_settled_by_itself(pooled, works, act):
    """A second lot like the first joins the pool; a sample of it is the customer's to the end."""
    terms(works, act)
    other = receive(works, act(0), 2500, DECLARED, owner=works.brackwater)
    for side in ("house", "counterparty"):
        assayed(works, act, other, "900", side)
    laboratory = Place.objects.create(code="lab", name="Laboratory", area="laboratory")
    take_sample(lot=other, place=laboratory, mass_ug=1_000_000, act=act(1))
    start_batch(
        kind=ProcessBatch.Kind.GRANULATING,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(other)]),
        keep_apart=False,
        act=act(2),
    )
    drafts = [prepared(each, act, works) for each in (pooled.lot, other)]
    for draft in drafts:
        approved(draft, act, works)
    assert [draft.supersedes for draft in drafts] == [None, None]
    due = sum(draft.payable_ug["Ag"] for draft in drafts)
    assert claims_of(works.brackwater) == {"Ag": due}


def test_a_superseding_settlement_that_changes_nothing_posts_nothing(pooled, works, act):
    terms(works, act)
    first = approved(prepared(pooled.lot, act, works), act, works)
    second = approved(prepared(pooled.lot, act, works, hours=5), act, works, 6)
    assert (second.supersedes, second.changes, second.movement) == (first, [], None)
    assert claims_of(works.brackwater) == {"Ag": 2_229_975_000}


def test_a_superseding_settlement_shows_and_posts_the_difference(pooled, works, act):
    terms(works, act)
    first = approved(prepared(pooled.lot, act, works), act, works)
    assayed(works, act, pooled.lot, "901.1", "counterparty", 5)
    second = prepared(pooled.lot, act, works, hours=6)
    assert second.supersedes == first
    changed = {each["key"]: each["difference"] for each in second.changes}
    assert changed["Ag_agreed"] == "0.300"
    assert changed["Ag_payable_g"] == "0.742500"
    approve_settlement(settlement=second, act=act(7, who=works.manager, note="The umpire's."))
    assert second.movement.note == "The umpire's."
    first.refresh_from_db()
    assert first.state == Settlement.State.SUPERSEDED
    assert claims_of(works.brackwater) == {"Ag": 2_229_975_000 + 742_500}


def test_terms_and_facts_are_frozen_with_the_settlement(pooled, works, act):
    first_version = terms(works, act)
    settlement = prepared(pooled.lot, act, works)
    set_terms(
        customer=works.brackwater,
        content=TERMS | {"treatment": [{"per_kg": "99"}]},
        valid_from=dt.date(2026, 1, 1),
        act=act(5),
    )
    assayed(works, act, pooled.lot, "700", "house", 5)
    assert settlement.contract_terms == first_version
    again = settle(case_of(settlement))
    assert again.lines == statement_of(settlement).lines
    assert again.total == settlement.total


def test_the_form_s_own_terms_go_before_the_customers(pooled, works, act):
    terms(works, act)
    own = set_terms(customer=works.brackwater, content=TERMS, form="feed", act=act(0))
    set_terms(customer=works.brackwater, content=TERMS, form="bar", act=act(0))
    late = dt.date(2026, 6, 1)
    set_terms(customer=works.brackwater, content=TERMS, form="feed", valid_from=late, act=act(0))
    assert prepared(pooled.lot, act, works).contract_terms == own


def test_every_input_line_points_to_what_it_rests_on(pooled, works, act):
    terms(works, act)
    document = settlement_statement(prepared(pooled.lot, act, works))
    lines = {each.line.key: each for each in document.lines}
    assert lines["weight"].line.evidence[0].kind == "weighing"
    assert lines["Ag_house"].line.evidence[0].kind == "assay"
    assert lines["Ag_contained"].in_figures == "ROUND(2500.000000*901.000/1000,6)"
    assert "law decide" in document.deference


def test_the_same_person_cannot_approve(pooled, works, act):
    terms(works, act)
    settlement = prepared(pooled.lot, act, works)
    before = facts()
    with pytest.raises(ForbiddenError) as refused:
        approve_settlement(settlement=settlement, act=act(4, who=works.accountant))
    assert (refused.value.code, refused.value.field) == ("same_person", "who")
    settlement.refresh_from_db()
    assert (settlement.state, facts()) == (Settlement.State.DRAFT, before)


def test_a_lot_still_kept_apart_is_not_settled_for_good(lot, works, act):
    terms(works, act)
    settlement = prepared(lot, act, works)
    before = facts()
    with pytest.raises(ConflictError) as refused:
        approved(settlement, act, works)
    assert (refused.value.code, refused.value.value) == ("still_kept_apart", lot.code)
    assert facts() == before


def test_preparing_is_refused_without_what_it_needs(pooled, works, act):
    before = facts()

    def refusal(**more):
        with pytest.raises((ConflictError, InvalidError)) as refused:
            prepared(pooled.lot, act, works, **more)
        assert facts() == before
        return (refused.value.code, refused.value.field)

    assert refusal() == ("no_terms", "customer")
    terms(works, act, weight_basis="after_melt")
    assert refusal() == ("weighing_missing", "weight")
    terms(works, act, settle_in="money")
    assert refusal() == ("price_missing", "prices.Ag")
    assert refusal(kind="rough") == ("unknown_choice", "kind")
    assayed(works, act, pooled.lot, "895", "counterparty", 2)
    assert refusal() == ("umpire_needed", "assays.Ag")


def test_a_lot_of_nobody_but_the_house_is_not_settled(works, act, refused):
    terms(works, act)
    own = receive_lot(receipt=receipt_of(works, party=works.house), act=act(0))
    with refused("not_a_customers_lot", "lot"):
        prepared(own, act, works)


def test_one_draft_at_a_time_and_a_final_one_only_gives_way_to_another(pooled, works, act):
    terms(works, act)
    draft = prepared(pooled.lot, act, works)
    with pytest.raises(ConflictError) as refused:
        prepared(pooled.lot, act, works)
    assert (refused.value.code, refused.value.value) == ("settlement_draft_exists", draft.code)
    with pytest.raises(InvalidError) as refused_empty:
        withdraw_settlement(settlement=draft, act=act(4))
    assert (refused_empty.value.code, refused_empty.value.field) == ("empty", "note")
    withdraw_settlement(settlement=draft, act=act(4, note="Wrong weighing."))
    with pytest.raises(ConflictError) as refused_draft:
        approved(draft, act, works)
    assert refused_draft.value.code == "not_a_draft"
    approved(prepared(pooled.lot, act, works), act, works)
    with pytest.raises(ConflictError) as refused_kind:
        prepared(pooled.lot, act, works, "provisional")
    assert (refused_kind.value.code, refused_kind.value.field) == ("final_in_force", "kind")


def test_what_a_settlement_posted_is_not_reversed_by_itself(pooled, works, act):
    terms(works, act)
    settlement = approved(prepared(pooled.lot, act, works), act, works)
    before = facts()
    with pytest.raises(ConflictError) as refused:
        reverse_movement(movement=settlement.movement, reason="No.", act=act(5))
    assert (refused.value.code, facts()) == ("settled_by_statement", before)


def test_terms_for_the_house_or_an_unknown_form_are_refused(works, act):
    for customer, form, code in (
        (works.house, "", "house_has_no_terms"),
        (works.brackwater, "soup", "unknown_choice"),
    ):
        with pytest.raises(InvalidError) as refused:
            set_terms(customer=customer, content=TERMS, form=form, act=act(0))
        assert refused.value.code == code
    assert not ContractTerms.objects.exists()


def test_a_replayed_approval_changes_nothing(pooled, works, act):
    terms(works, act)
    settlement = prepared(pooled.lot, act, works)
    once = act(4, key="approve-1", who=works.manager)
    approve_settlement(settlement=settlement, act=once)
    before = facts()
    settlement.refresh_from_db()
    assert approve_settlement(settlement=settlement, act=once) == settlement
    assert facts() == before


def test_only_assays_of_the_agreed_sample_count(lot, works, act):
    """The lot as received was assayed, and its melt again; the terms say which of them counts."""
    melted = melt_lot(
        lot=lot,
        melted=Melted(
            form=Lot.Form.GRANULES,
            place=works.places["feed-shelf"],
            weight=Weight(2_490_000_000, 0, works.balance),
        ),
        act=act(2),
    )
    assayed(works, act, melted, "905", "house", 2.5)
    assayed(works, act, melted, "905", "counterparty", 2.5)

    def agreed(basis: str) -> str:
        terms(works, act, sampling_basis=basis)
        draft = prepared(lot, act, works)
        (line,) = (each for each in draft.lines if each["key"] == "Ag_house")
        withdraw_settlement(settlement=draft, act=act(4, note="another basis"))
        return line["value"]

    assert [agreed(basis) for basis in ("received", "after_melt", "any")] == ["901.5", "905", "905"]


def test_a_dry_settlement_keeps_the_moisture_it_was_given(pooled, works, act):
    terms(works, act, weight_basis="received_dry")
    draft = prepared(pooled.lot, act, works, moisture_ppt=Decimal(8))
    assert case_of(draft).moisture_ppt.value == 8
    # 2500 g less 0.8 per cent at 901 parts per thousand, 99 per cent of it.
    assert draft.payable_ug == {"Ag": 2_212_135_200}
