"""Withdrawing what was measured wrongly."""

from __future__ import annotations

import pytest

from lots.ledger.holdings import holding
from lots.measurements.assays import record_assay
from lots.measurements.outputs import Output
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import Weight
from lots.measurements.withdrawal import withdraw_assay, withdraw_measurement
from lots.models import Assay, Weighing
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.taking import Take

G = 1_000_000


def test_a_weighing_stays_on_record_and_says_it_is_withdrawn(works, act, received):
    lot = received(1000)
    before = holding(lot)
    weighing = Weighing.objects.get(lot=lot)
    withdrawal = withdraw_measurement(
        measurement=weighing, reason="read off the wrong display", act=act(2, who=works.manager)
    )
    assert Weighing.objects.get(lot=lot).withdrawal == withdrawal
    assert withdrawal.withdrawn_by == works.manager
    assert holding(lot) == before


def test_an_assay_that_does_not_rule_can_be_withdrawn(act, received, report):
    lot = received(1000)
    assay = record_assay(lot=lot, report=report({"Ag": "300"}), act=act(1))
    withdraw_assay(assay=assay, reason="samples exchanged", act=act(2))
    assert Assay.objects.filter(withdrawal__isnull=False).get() == assay


def test_a_ruling_assay_is_withdrawn_only_after_another_rules(act, received, report, refused):
    lot = received(1000)
    first, second = (
        record_assay(lot=lot, report=report({"Ag": ppt}), act=act(1)) for ppt in ("925", "924")
    )
    rule_assay(assay=first, reason="ours", act=act(2))
    with refused("assay_rules", "assay"):
        withdraw_assay(assay=first, reason="wrong", act=act(3))
    rule_assay(assay=second, reason="repeat", act=act(4))
    withdraw_assay(assay=first, reason="wrong", act=act(5))


def test_the_assay_a_lot_was_made_with_rules_until_another_does(
    works, act, received, report, refused
):
    lot = received(1000)
    batch = start_batch(
        kind="melt",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        act=act(1),
    )
    bar = record_output(
        batch=batch,
        output=Output(
            form="bar",
            place=works.places["fine-safe"],
            weight=Weight(990 * G, 0, works.balance),
            assay=report({"Ag": "930"}),
        ),
        act=act(2),
    )
    with refused("assay_rules", "assay"):
        withdraw_assay(assay=bar.assays.get(), reason="wrong", act=act(3))


@pytest.mark.parametrize(("reason", "code"), [("", "empty"), ("x" * 201, "too_long")])
def test_a_withdrawal_needs_a_reason(act, received, report, refused, reason, code):
    lot = received(1000)
    assay = record_assay(lot=lot, report=report({"Ag": "300"}), act=act(1))
    with refused(code, "reason"):
        withdraw_assay(assay=assay, reason=reason, act=act(2))
    with refused(code, "reason"):
        withdraw_measurement(measurement=Weighing.objects.get(), reason=reason, act=act(2))


def test_nothing_is_withdrawn_twice(act, received, report, refused):
    lot = received(1000)
    assay = record_assay(lot=lot, report=report({"Ag": "300"}), act=act(1))
    withdraw_assay(assay=assay, reason="wrong", act=act(2))
    withdraw_measurement(measurement=Weighing.objects.get(), reason="wrong", act=act(2))
    with refused("already_withdrawn", "assay"):
        withdraw_assay(assay=assay, reason="wrong", act=act(3))
    with refused("already_withdrawn", "measurement"):
        withdraw_measurement(measurement=Weighing.objects.get(), reason="wrong", act=act(3))
