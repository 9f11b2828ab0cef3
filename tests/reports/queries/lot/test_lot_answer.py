"""The answer to "what became of my lot", on a lot melted with another customer's."""

from __future__ import annotations

import json
from decimal import Decimal
from types import SimpleNamespace

import pytest

from lots.ledger.holdings import AsOf, claims_of
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.outputs import Output
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import Weight
from lots.models import Lot, Movement, ProcessBatch
from lots.services.ownership import change_owner
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.receipt import Receipt, receive_lot
from lots.services.splitting import Part, split_lot
from lots.services.taking import Take
from reports.json_ready import json_ready
from reports.queries.lot.lot_answer import lot_answer
from reports.queries.lot.lot_answer_lines import Where
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms


def received(works, act, customer, grams, hours):
    receipt = Receipt(
        party=customer,
        owner=customer,
        form=Lot.Form.FEED,
        place=works.places["feed-shelf"],
        weight=Weight(grams * 1_000_000, 0, works.balance),
        declared={"Ag": Decimal(900), "Cu": Decimal(100)},
    )
    return receive_lot(receipt=receipt, act=act(hours))


@pytest.fixture
def melted(works, act) -> SimpleNamespace:
    """Isolde's 300 g and Pellow's 100 g melted together: 396 g of granules, the rest lost."""
    isolde = received(works, act, works.brackwater, 300, 0)
    pellow = received(works, act, works.pellow, 100, 0.5)
    batch = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(isolde), Take(pellow)]),
        act=act(1),
    )
    output = Output(
        form=Lot.Form.GRANULES,
        place=works.places["melt-bench"],
        weight=Weight(396_000_000, 0, works.balance),
        declared={"Ag": Decimal(900), "Cu": Decimal(100)},
    )
    granules = record_output(batch=batch, output=output, act=act(2))
    close_batch(batch=batch, act=act(3))
    return SimpleNamespace(isolde=isolde, pellow=pellow, granules=granules)


def test_every_microgram_of_the_lot_is_answered_for(melted):
    answer = lot_answer(melted.isolde)
    silver = next(metal for metal in answer.metals if metal.metal == "Ag")
    assert silver.entered_ug == 270_000_000
    assert silver.where_ug == {Where.OTHER_LOTS: 267_300_000, Where.DIFFERENCES: 2_700_000}
    assert silver.joined_pool_ug == 270_000_000
    assert silver.claim_ug == 270_000_000
    granules = next(part for part in answer.parts if part.where == Where.OTHER_LOTS)
    assert (granules.holder, granules.place) == (melted.granules.code, "Melt bench")


def test_what_was_measured_and_declared_stands_beside_it(melted, works, act):
    findings = {"Ag": Finding(Decimal("901.5"), Decimal("0.4"))}
    report = AssayReport("gravimetric", works.laboratory, findings, certificate="QL-17")
    record_assay(lot=melted.isolde, report=report, act=act(4))
    evidence = lot_answer(melted.isolde).evidence
    assert evidence.declared_ug == {"Ag": 270_000_000, "Cu": 30_000_000}
    assert [line.net_ug for line in evidence.weighings] == [300_000_000]
    assay = evidence.assays[0]
    assert (assay.certificate, assay.rules, assay.laboratory) == (
        "QL-17",
        False,
        "Quay laboratory",
    )
    assert assay.results[0].value == Decimal("901.5")


def test_as_of_the_morning_the_lot_lies_where_it_came_in(melted, act):
    answer = lot_answer(melted.isolde, AsOf(act(0.75).moment))
    assert [part.where for part in answer.parts] == [Where.THE_LOT, Where.THE_LOT]
    assert {metal.claim_ug for metal in answer.metals} == {0}
    assert {part.place for part in answer.parts} == {"Feed shelf"}


def test_what_is_payable_is_estimated_from_terms_and_then_settled(melted, works, act):
    assert (
        lot_answer(melted.isolde).payable.reason == "No terms are written down for this customer."
    )
    content = {
        "currency": "EUR",
        "exchanged": False,
        "metals": [{"metal": "Ag", "accountability": [{"percent": "99"}]}],
    }
    set_terms(customer=works.brackwater, content=content, act=act(0))
    assert lot_answer(melted.isolde).payable.reason == "The house has no result for Ag."
    findings = {"Ag": Finding(Decimal(900), Decimal("0.4"))}
    report = AssayReport("gravimetric", works.laboratory, findings)
    record_assay(lot=melted.isolde, report=report, act=act(4))
    payable = lot_answer(melted.isolde).payable
    assert (payable.basis, payable.payable_ug) == ("estimate", {"Ag": 267_300_000})
    draft = prepare_settlement(lot=melted.isolde, kind="final", act=act(5))
    approve_settlement(settlement=draft, act=act(6, who=works.manager))
    payable = lot_answer(melted.isolde).payable
    assert (payable.basis, payable.settlement) == ("settlement", draft.code)


def test_a_customer_sees_the_works_results_only_after_their_own(melted, works, act):
    findings = {"Ag": Finding(Decimal(900), Decimal("0.4"))}

    def record(side):
        report = AssayReport("gravimetric", works.laboratory, findings, side=side)
        record_assay(lot=melted.isolde, report=report, act=act(4))

    record("house")
    assert lot_answer(melted.isolde, seen_by=works.brackwater).evidence.assays == ()
    assert len(lot_answer(melted.isolde).evidence.assays) == 1
    record("counterparty")
    assert len(lot_answer(melted.isolde, seen_by=works.brackwater).evidence.assays) == 2


def test_each_part_is_as_unsure_as_the_lot_and_a_customer_reads_it_with_the_results(
    melted, works, act
):
    findings = {"Ag": Finding(Decimal(900), Decimal("0.4"))}
    report = AssayReport("gravimetric", works.laboratory, findings, side="house")
    assay = record_assay(lot=melted.isolde, report=report, act=act(4))
    rule_assay(assay=assay, reason="The report came.", act=act(4))
    answer = lot_answer(melted.isolde)
    silver = answer.metals[0]
    # hypot(0.1 g x 0.9, 300 g x 0.0004) = 0.15 g of 270 g, 99 % of which is in the granules.
    assert (silver.metal, silver.standard_uncertainty_ug) == ("Ag", 150_000)
    assert silver.uncertainty_of(Where.OTHER_LOTS) == 148_500
    parts = [part.standard_uncertainty_ug for part in answer.parts if part.metal == "Ag"]
    assert parts == [148_500, 1_500]
    seen = lot_answer(melted.isolde, seen_by=works.brackwater)
    assert seen.metals[0].standard_uncertainty_ug is None
    assert (seen.metals[0].entered_ug, seen.metals[0].where_ug, seen.parts) == (270_000_000, {}, ())
    assert melted.isolde.code in seen.withheld


def test_a_customer_reads_no_other_customers_lot(melted, works, act):
    change_owner(lot=melted.granules, owner=works.pellow, act=act(4))
    text = json.dumps(json_ready(lot_answer(melted.isolde, seen_by=works.brackwater)))
    assert melted.granules.code not in text
    assert melted.pellow.code not in text
    assert "A lot of another owner" in text
    assert melted.granules.code in json.dumps(json_ready(lot_answer(melted.isolde)))


def test_the_answer_is_ready_for_json_and_defers_to_the_contract(melted):
    text = json.dumps(json_ready(lot_answer(melted.isolde)))
    assert '"where_ug": {"other_lots": 267300000, "differences": 2700000}' in text
    assert "contract and local law decide" in text
    assert "positive is metal gone" in text


def test_the_number_of_queries_is_bounded(melted, django_assert_max_num_queries):
    with django_assert_max_num_queries(32):
        lot_answer(melted.isolde)


def joined(lot, *as_of):
    silver = next(each for each in lot_answer(lot, *as_of).metals if each.metal == "Ag")
    return silver.joined_pool_ug


def test_what_is_made_from_a_lot_and_turned_into_a_claim_counts_as_the_lots_own(works, act):
    """Of 300 g, 100 g are split off; both parts become claims, by a change of owner each."""
    lot = received(works, act, works.brackwater, 300, 0)
    part = split_lot(lot=lot, parts=[Part(mass_ug=100_000_000)], act=act(1))
    (piece,) = (each.lot for each in part.standings.exclude(lot=lot))
    change_owner(lot=lot, owner=works.house, act=act(2), as_claim=True)
    assert joined(lot) == 180_000_000
    change_owner(lot=piece, owner=works.house, act=act(3), as_claim=True)
    assert claims_of(works.brackwater)["Ag"] == joined(lot) == 270_000_000
    assert joined(lot, AsOf(act(2.5).moment)) == 180_000_000
    assert joined(lot, AsOf(act(1.5).moment)) == 0


def test_of_a_melt_of_two_lots_each_has_its_share_of_the_claim(works, act):
    lots = [received(works, act, works.brackwater, grams, 0) for grams in (300, 100)]
    batch = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(each) for each in lots]),
        act=act(1),
    )
    output = Output(
        form=Lot.Form.GRANULES,
        place=works.places["melt-bench"],
        weight=Weight(400_000_000, 0, works.balance),
        declared={"Ag": Decimal(900), "Cu": Decimal(100)},
    )
    granules = record_output(batch=batch, output=output, act=act(2))
    close_batch(batch=batch, act=act(3))
    change_owner(lot=granules, owner=works.house, act=act(4), as_claim=True)
    assert [joined(each) for each in lots] == [270_000_000, 90_000_000]
    assert claims_of(works.brackwater)["Ag"] == 360_000_000


def test_an_assay_ruled_after_a_lot_joined_the_pool_changes_what_joined(works, act):
    lot = received(works, act, works.brackwater, 300, 0)
    change_owner(lot=lot, owner=works.house, act=act(1), as_claim=True)
    report = AssayReport("gravimetric", works.laboratory, {"Ag": Finding(Decimal(880), Decimal(1))})
    assay = record_assay(lot=lot, report=report, act=act(2))
    ruling = rule_assay(assay=assay, reason="The report came.", act=act(2))
    assert joined(lot) == claims_of(works.brackwater)["Ag"] == 264_000_000
    assert joined(lot, AsOf(act(1.5).moment)) == 270_000_000
    reverse_movement(movement=ruling.movement, reason="another lot's report", act=act(3))
    assert joined(lot) == claims_of(works.brackwater)["Ag"] == 270_000_000


def test_what_is_taken_back_out_of_the_pool_or_never_joined_is_no_claim(works, act):
    lot = received(works, act, works.brackwater, 300, 0)
    change_owner(lot=lot, owner=works.house, act=act(1), as_claim=True)
    change_owner(lot=lot, owner=works.brackwater, act=act(2), as_claim=True)
    assert (joined(lot), claims_of(works.brackwater)) == (0, {})
    joining = change_owner(lot=lot, owner=works.house, act=act(3), as_claim=True)
    reverse_movement(movement=joining, reason="kept apart after all", act=act(4))
    assert (joined(lot), claims_of(works.brackwater)) == (0, {})


def test_metal_that_is_bought_joins_no_claim(works, act):
    lot = received(works, act, works.brackwater, 300, 0)
    part = split_lot(lot=lot, parts=[Part(mass_ug=100_000_000)], act=act(1))
    (piece,) = (each.lot for each in part.standings.exclude(lot=lot))
    change_owner(lot=piece, owner=works.house, act=act(2))
    assert (joined(lot), claims_of(works.brackwater)) == (0, {})
    bought = Movement.objects.latest("sequence")
    reverse_movement(movement=bought, reason="not bought", act=act(3))
    change_owner(lot=piece, owner=works.house, act=act(4), as_claim=True)
    assert joined(lot) == claims_of(works.brackwater)["Ag"] == 90_000_000
