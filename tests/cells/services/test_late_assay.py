"""An assay that rules after its lot was charged to a cell."""

from __future__ import annotations

import pytest

from cells.queries.content_uncertainty import relative_uncertainties
from cells.services.bleed import bleed_electrolyte
from cells.services.close_run import close_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import harvest_run
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.top_up import Addition, top_up_electrolyte
from lots.ledger import accounts
from lots.ledger.holdings import claims_of, holding
from lots.measurements.assays import record_assay
from lots.measurements.outputs import Volume
from lots.measurements.rulings import rule_assay
from lots.models import Entry, Lot
from lots.services.opening import Amount, Opening, open_lot
from lots.services.taking import Take


def rule(bench, lot, hours, **findings):
    assay = record_assay(lot=lot, report=bench.assay(**findings), act=bench.act(hours))
    return rule_assay(assay=assay, reason="our own assay", act=bench.act(hours))


def cell_difference(metal="Ag"):
    entries = Entry.objects.filter(account__code=accounts.CELL_DIFFERENCE, metal=metal)
    return sum(entries.values_list("mass_ug", flat=True))


@pytest.fixture
def hers(bench):
    return bench.granules(bench.works.brackwater)


def test_a_charge_in_the_cell_takes_the_change_and_the_claim_follows(bench, hers):
    run = bench.charged(takes=[Take(hers, mass_ug=500_000_000)])
    assert claims_of(bench.works.brackwater)["Ag"] == 462_500_000
    rule(bench, hers, 2, Ag="931", Cu="66")
    run.charge_lot.refresh_from_db()
    assert run.charge_lot.state == Lot.State.IN_PROCESS
    assert holding(run.charge_lot).metals["Ag"] == 465_500_000
    assert holding(hers).metals["Ag"] == 931_000_000
    claim = claims_of(bench.works.brackwater)
    assert (claim["Ag"], claim["Cu"]) == (465_500_000, 33_000_000)


def test_a_run_that_is_closed_passes_the_change_to_its_difference(bench, hers):
    run = bench.stopped(bench.charged(takes=[Take(hers)]))
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal("1500"), act=bench.act(14))
    run.refresh_from_db()
    run = close_run(run=run, act=bench.act(15))
    before_ug, bath = cell_difference(), holding(run.electrolyte.lot)
    ruling = rule(bench, hers, 20, Ag="931", Cu="66")
    assert cell_difference() - before_ug == 9_000_000  # 1500 g x (931 - 925) / 1000
    assert holding(run.electrolyte.lot) == bath
    assert holding(run.charge_lot).is_empty
    assert claims_of(bench.works.brackwater)["Ag"] == 1_396_500_000
    assert not ruling.movement.entries.filter(lot__isnull=False).exists()


def test_a_ruled_lot_is_as_sure_as_its_assay(bench, hers):
    assert relative_uncertainties([hers])[hers.pk]["Ag"] == 0.02
    rule(bench, hers, 0.5, Ag="900", Cu="66")
    # The assay's u is 0.2 per thousand; the weighing's 0.1 g in 1500 g adds next to nothing.
    hers.refresh_from_db()
    relative = relative_uncertainties([hers])[hers.pk]
    assert relative["Ag"] == pytest.approx(0.2 / 900, rel=0.1)
    assert relative["Au"] == 0.15


@pytest.fixture
def nitrate(bench):
    """A litre of Isolde Brackwater's silver nitrate, booked at 100 g of silver."""
    opening = Opening(
        form=Lot.Form.SOLUTION,
        owner=bench.works.brackwater,
        place=bench.works.places["carboys"],
        metals={"Ag": Amount(100_000_000)},
        volume_ul=1_000_000,
    )
    return open_lot(opening=opening, act=bench.act(0))


def bleed(bench, batch, litres, hours):
    return bleed_electrolyte(
        batch=batch,
        volume=Volume(int(litres * 1_000_000), 5_000),
        place=bench.works.places["carboys"],
        act=bench.act(hours),
    )


def test_a_change_of_what_was_poured_in_goes_with_what_was_bled_after_it(bench, nitrate):
    batch = bench.electrolyte()
    before = bleed(bench, batch, 2, hours=1)
    top_up_electrolyte(batch=batch, addition=Addition(takes=[Take(nitrate)]), act=bench.act(2))
    after = bleed(bench, batch, 1.1, hours=3)
    held = {lot: holding(lot).metals["Ag"] for lot in (before, after, batch.lot)}
    rule(bench, nitrate, 4, basis="g_per_l", Ag="110")
    changes = {lot: holding(lot).metals["Ag"] - ug for lot, ug in held.items()}
    # 11 L were there when a tenth of it was bled.
    assert changes == {before: 0, after: 1_000_000, batch.lot: 9_000_000}
    assert claims_of(bench.works.brackwater) == {"Ag": 110_000_000}


def test_an_electrolyte_measured_since_does_not_take_the_change(bench, nitrate):
    batch = bench.electrolyte()
    top_up_electrolyte(batch=batch, addition=Addition(takes=[Take(nitrate)]), act=bench.act(2))
    measurement = ElectrolyteMeasurement(
        volume=Volume(13_000_000, 20_000), assay=bench.assay("g_per_l", Ag="64", Cu="18")
    )
    measure_electrolyte(batch=batch, measurement=measurement, act=bench.act(3))
    measured, before_ug = holding(batch.lot), cell_difference()
    rule(bench, nitrate, 4, basis="g_per_l", Ag="110")
    assert holding(batch.lot) == measured
    assert cell_difference() - before_ug == 10_000_000
