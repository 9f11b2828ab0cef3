"""Samples for the laboratory."""

from __future__ import annotations

import pytest

from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.measurements.assays import record_assay
from lots.measurements.rulings import rule_assay
from lots.models import Entry, Lot
from lots.services.quarantine import quarantine_lot
from lots.services.sampling import take_sample, use_up_sample

G = 1_000_000


def test_a_sample_is_a_lot_of_the_same_owner_in_the_laboratory(
    works, act, received, laboratory_shelf
):
    lot = received(1000)
    sample = take_sample(lot=lot, mass_ug=4 * G, place=laboratory_shelf, act=act(1))
    assert (sample.form, sample.owner, sample.place) == (
        "sample",
        works.brackwater,
        laboratory_shelf,
    )
    assert holding(sample).metals == {"Ag": 3_700_000, "Cu": 300_000}
    assert holding(lot).mass_ug == 996 * G
    assert lot.code in sample.description


def test_a_solution_is_sampled_by_volume(act, solution, laboratory_shelf):
    lot = solution(volume_ml=1000, silver_g=50)
    sample = take_sample(lot=lot, volume_ul=5_000, place=laboratory_shelf, act=act(1))
    assert (holding(sample).volume_ul, holding(sample).metals) == (5_000, {"Ag": 250_000})


def test_a_lot_in_quarantine_can_be_sampled_so_that_it_can_be_released(
    act, received, laboratory_shelf
):
    lot = received(1000)
    quarantine_lot(lot=lot, reason="torn bag", act=act(1))
    take_sample(lot=lot, mass_ug=G, place=laboratory_shelf, act=act(2))
    lot.refresh_from_db()
    assert lot.state == Lot.State.QUARANTINED


def test_what_the_assay_used_up_is_told_and_the_rest_remains(act, received, laboratory_shelf):
    lot = received(1000)
    sample = take_sample(lot=lot, mass_ug=4 * G, place=laboratory_shelf, act=act(1))
    use_up_sample(sample=sample, mass_ug=G, act=act(2))
    assert holding(sample).metals == {"Ag": 2_775_000, "Cu": 225_000}
    use_up_sample(sample=sample, act=act(3))
    assert holding(sample).is_empty
    used = Entry.objects.filter(account__code=accounts.SAMPLES_USED, metal="Ag")
    assert sum(used.values_list("mass_ug", flat=True)) == 3_700_000


def test_a_samples_assay_rules_the_lot_and_the_sample_takes_its_share(
    act, received, report, laboratory_shelf
):
    lot = received(1000)
    sample = take_sample(lot=lot, mass_ug=4 * G, place=laboratory_shelf, act=act(1))
    use_up_sample(sample=sample, mass_ug=G, act=act(2))
    assay = record_assay(
        lot=lot, report=report({"Ag": "900", "Cu": "100"}, sample=sample), act=act(3)
    )
    rule_assay(assay=assay, reason="ours", act=act(4))
    assert holding(lot).metals == {"Ag": 896_400_000, "Cu": 99_600_000}
    assert holding(sample).metals == {"Ag": 2_700_000, "Cu": 300_000}
    used = Entry.objects.filter(account__code=accounts.SAMPLES_USED, metal="Ag")
    assert sum(used.values_list("mass_ug", flat=True)) == 900_000


def test_reversal_puts_the_sample_back(act, received, laboratory_shelf, comes_back):
    lot = received(1000)
    with comes_back():
        sample = take_sample(lot=lot, mass_ug=4 * G, place=laboratory_shelf, act=act(1))
        use_up_sample(sample=sample, mass_ug=G, act=act(2))


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({}, "one_quantity_needed", "mass"),
        ({"mass_ug": G, "volume_ul": 1}, "one_quantity_needed", "mass"),
        ({"mass_ug": 0}, "not_positive", "mass"),
        ({"mass_ug": -G}, "not_positive", "mass"),
        ({"mass_ug": 1001 * G}, "more_than_there_is", "mass"),
        ({"volume_ul": 1}, "more_than_there_is", "volume"),
        ({"mass_ug": G, "description": "x" * 201}, "too_long", "description"),
    ],
)
def test_a_sample_that_cannot_be_is_refused(
    act, received, laboratory_shelf, refused, given, code, field
):
    lot = received(1000)
    with refused(code, field):
        take_sample(lot=lot, place=laboratory_shelf, act=act(1), **given)


def test_only_the_laboratory_keeps_samples_and_samples_are_not_sampled(
    works, act, received, laboratory_shelf, refused
):
    lot = received(1000)
    with refused("not_a_laboratory", "place"):
        take_sample(lot=lot, mass_ug=G, place=works.places["fine-safe"], act=act(1))
    sample = take_sample(lot=lot, mass_ug=G, place=laboratory_shelf, act=act(1))
    with refused("is_a_sample", "lot"):
        take_sample(lot=sample, mass_ug=1, place=laboratory_shelf, act=act(2))
    with refused("not_a_sample", "sample"):
        use_up_sample(sample=lot, act=act(2))
    with refused("more_than_there_is", "mass"):
        use_up_sample(sample=sample, act=act(2), mass_ug=G + 1)
