"""An assay that rules after its lot was charged to a cell."""

from __future__ import annotations

import pytest

from cells.queries.content_uncertainty import relative_uncertainties
from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from lots import chart
from lots.models import Entry, Lot
from lots.queries.holdings import claims_of, holding
from lots.services.assays import record_assay
from lots.services.rulings import rule_assay
from lots.services.taking import Take


def rule(bench, lot, hours, **findings):
    assay = record_assay(lot=lot, report=bench.assay(**findings), act=bench.act(hours))
    return rule_assay(assay=assay, reason="our own assay", act=bench.act(hours))


def cell_difference(metal="Ag"):
    entries = Entry.objects.filter(account__code=chart.CELL_DIFFERENCE, metal=metal)
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
    assert relative_uncertainties([hers])[hers.pk]["Ag"] == 0.01
    rule(bench, hers, 0.5, Ag="900", Cu="66")
    # The assay's u is 0.2 per thousand; the weighing's 0.1 g in 1500 g adds next to nothing.
    hers.refresh_from_db()
    relative = relative_uncertainties([hers])[hers.pk]
    assert relative["Ag"] == pytest.approx(0.2 / 900, rel=0.1)
    assert relative["Au"] == 0.01
