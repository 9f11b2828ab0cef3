"""Tracing lots on the ledger: through the pool, back to their senders, and as of a moment."""

from __future__ import annotations

from decimal import Decimal
from types import SimpleNamespace

import pytest

from lots.ledger.holdings import AsOf, holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.outputs import Output
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import Weight
from lots.models import Entry, Lot, ProcessBatch
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take
from lots.traces.linked_movements import stream_steps
from lots.traces.lot_trace import mixtures_of_all, trace_back, trace_forward
from lots.traces.trace import Origin, mix


def received(works, act, customer, grams, hours, silver="900"):
    receipt = Receipt(
        party=customer,
        owner=customer,
        form=Lot.Form.FEED,
        place=works.places["feed-shelf"],
        weight=Weight(grams * 1_000_000, 0, works.balance),
        declared={"Ag": Decimal(silver), "Cu": 1000 - Decimal(silver)},
    )
    return receive_lot(receipt=receipt, act=act(hours))


def weighed_out(works, act, batch, grams, hours, form=Lot.Form.GRANULES):
    output = Output(
        form=form,
        place=works.places["melt-bench"],
        weight=Weight(grams * 1_000_000, 0, works.balance),
        declared={"Ag": Decimal(900), "Cu": Decimal(100)},
    )
    return record_output(batch=batch, output=output, act=act(hours))


@pytest.fixture
def melted(works, act) -> SimpleNamespace:
    """Two customers' lots, 300 g and 100 g, melted together into 396 g of granules."""
    isolde = received(works, act, works.brackwater, 300, 0)
    pellow = received(works, act, works.pellow, 100, 0.5)
    batch = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(isolde), Take(pellow)]),
        act=act(1),
    )
    granules = weighed_out(works, act, batch, 396, 2)
    close_batch(batch=batch, act=act(3))
    return SimpleNamespace(isolde=isolde, pellow=pellow, batch=batch, granules=granules)


def test_shares_of_a_melt_name_both_senders_and_sum_to_the_holding(melted):
    back = trace_back(melted.granules)
    assert back.held_ug == holding(melted.granules).metals
    silver = {share.lot: share.mass_ug for share in back.shares if share.metal == "Ag"}
    assert silver == {melted.isolde: 267_300_000, melted.pellow: 89_100_000}
    assert {share.account for share in back.shares} == {"received"}
    assert {edge.target for edge in back.graph.edges} >= {melted.granules.code}


def test_parts_of_a_lot_sum_to_all_that_came_in_with_it(melted):
    ahead = trace_forward(melted.isolde)
    assert ahead.entered_ug == {"Ag": 270_000_000, "Cu": 30_000_000}
    silver = {part.lot or part.account: part.mass_ug for part in ahead.parts if part.metal == "Ag"}
    assert silver == {melted.granules: 267_300_000, "melt-difference": 2_700_000}
    labels = {node.label for node in ahead.graph.nodes}
    assert labels >= {melted.isolde.code, melted.granules.code, "Melt difference"}


def test_a_trace_can_be_asked_as_of_a_moment_before(melted, act):
    ahead = trace_forward(melted.isolde, AsOf(act(1.5).moment))
    assert [(part.lot, part.metal) for part in ahead.parts] == [
        (melted.batch.vessel, "Ag"),
        (melted.batch.vessel, "Cu"),
    ]
    assert trace_back(melted.granules, AsOf(act(1.5).moment)).shares == []


def test_a_trace_can_be_asked_as_the_books_stood(melted):
    before_anything = AsOf(recorded=Entry.objects.earliest("recorded_at").recorded_at)
    assert trace_forward(melted.isolde, before_anything).entered_ug["Ag"] == 270_000_000


def test_one_lots_trace_agrees_with_everybodys(melted):
    silver = mixtures_of_all()["Ag"][melted.granules.pk]
    assert silver == {
        Origin(melted.isolde.pk, "received"): 267_300_000,
        Origin(melted.pellow.pk, "received"): 89_100_000,
    }
    gone = mix(stream_steps()).gone["Ag"]["melt-difference"]
    assert gone[Origin(melted.isolde.pk, "received")] == 2_700_000


def test_what_was_reversed_leaves_no_trace(melted, act):
    closing = melted.batch.vessel.entries.latest("id").movement
    reverse_movement(movement=closing, reason="Closed too early.", act=act(4))
    ahead = trace_forward(melted.isolde)
    assert {part.lot for part in ahead.parts} == {melted.granules, melted.batch.vessel}
    assert "melt-difference" not in {edge.target for edge in ahead.graph.edges}


def ruled(works, act, lot, silver, hours):
    findings = {"Ag": Finding(Decimal(silver), Decimal("0.2"))}
    report = AssayReport("gravimetric", works.laboratory, findings)
    assay = record_assay(lot=lot, report=report, act=act(hours))
    return rule_assay(assay=assay, reason="The laboratory's report.", act=act(hours))


def test_a_late_assay_changes_its_own_lots_share_and_nobody_elses(melted, works, act):
    before = trace_forward(melted.pellow).parts
    ruled(works, act, melted.isolde, "880", 4)
    ahead = trace_forward(melted.isolde)
    assert ahead.entered_ug["Ag"] == 264_000_000
    silver = {part.lot or part.account: part.mass_ug for part in ahead.parts if part.metal == "Ag"}
    # The granules hold what they were found to hold; the closed batch's difference answers for it.
    assert silver == {melted.granules: 267_300_000, "melt-difference": -3_300_000}
    assert trace_forward(melted.pellow).parts == before


def test_a_late_assay_takes_its_lots_own_metal_out_of_an_open_vessel(works, act):
    isolde = received(works, act, works.brackwater, 300, 0)
    pellow = received(works, act, works.pellow, 100, 0.5)
    batch = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(isolde), Take(pellow)]),
        act=act(1),
    )
    ruled(works, act, isolde, "880", 2)
    silver = {share.lot: share.mass_ug for share in trace_back(batch.vessel).shares[:2]}
    assert silver == {isolde: 264_000_000, pellow: 90_000_000}
    assert trace_forward(isolde).entered_ug["Ag"] == 264_000_000
    assert [part.mass_ug for part in trace_forward(pellow).parts] == [90_000_000, 10_000_000]


def test_parts_are_as_unsure_as_what_came_in(melted, works, act):
    """u = hypot(0.1 g x 0.88, 300 g x 0.0002) = 0.1065 g of 264 g (JCGM 100:2008, 5.1.2)."""
    assert {part.standard_uncertainty_ug for part in trace_forward(melted.isolde).parts} == {None}
    ruled(works, act, melted.isolde, "880", 4)
    ahead = trace_forward(melted.isolde)
    assert ahead.entered_uncertainty_ug == {"Ag": 106_508}
    unsure = {part.lot: part.standard_uncertainty_ug for part in ahead.parts if part.metal == "Ag"}
    assert unsure == {melted.granules: 107_839, None: 1_331}
    as_of = AsOf(act(3).moment)
    assert trace_forward(melted.isolde, as_of).entered_uncertainty_ug == {}


def test_metal_used_again_is_followed_round(melted, works, act):
    again = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(melted.granules, mass_ug=198_000_000)]),
        act=act(4),
    )
    bar = weighed_out(works, act, again, 198, 5, Lot.Form.BAR)
    back = trace_back(bar)
    assert sum(share.mass_ug for share in back.shares if share.metal == "Ag") == 178_200_000
    silver = {share.lot: share.mass_ug for share in back.shares if share.metal == "Ag"}
    assert silver[melted.isolde] == 133_650_000


def test_a_declared_lots_share_has_no_uncertainty(works, act):
    lot = received(works, act, works.brackwater, 300, 0)
    assert [share.standard_uncertainty_ug for share in trace_back(lot).shares] == [None, None]


def test_a_measured_excess_carries_the_uncertainty_of_its_measurement(melted, works, act):
    batch = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(melted.granules)]),
        act=act(4),
    )
    finding = Finding(Decimal(950), Decimal("0.5"))
    output = Output(
        form=Lot.Form.BAR,
        place=works.places["melt-bench"],
        weight=Weight(396_000_000, 0, works.balance),
        assay=AssayReport("gravimetric", works.laboratory, {"Ag": finding}),
    )
    bar = record_output(batch=batch, output=output, act=act(5))
    excess = next(share for share in trace_back(bar).shares if share.account == "melt-difference")
    assert excess.mass_ug == 19_800_000
    # The bar's own: hypot(0.1 g x 0.95, 396 g x 0.0005) = 0.2196 g.
    assert excess.standard_uncertainty_ug == 219_611


def test_queries_do_not_grow_with_what_a_lot_was_mixed_with(
    melted, works, act, django_assert_max_num_queries
):
    with django_assert_max_num_queries(17):
        trace_forward(melted.isolde)
    with django_assert_max_num_queries(13):
        trace_back(melted.granules)


def test_reading_everything_gives_the_same_trace_as_along_the_links(melted, monkeypatch):
    ahead, back = trace_forward(melted.isolde), trace_back(melted.granules)
    monkeypatch.setattr("lots.traces.linked_movements.ROUNDS_MAX", 0)
    assert trace_forward(melted.isolde) == ahead
    through = trace_back(melted.granules)
    assert (through.shares, through.held_ug) == (back.shares, back.held_ug)
    assert (back.graph.is_whole, through.graph.is_whole) == (True, False)
