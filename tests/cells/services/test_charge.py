"""A charge is refused for every reason it should be, and nothing is written then."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from cells.models import CellRun
from cells.services.charge import Charge, charge_run
from cells.services.readings import Instruments, withdraw_reading
from cells.services.start_run import start_run
from cells.services.top_up import Addition, top_up_electrolyte
from config.refusals import ConflictError, InvalidError, RefusalError
from lots.ledger.holdings import claims_of, holding
from lots.ledger.reversal import reverse_movement
from lots.models import Lot
from lots.services.taking import Take


def refusal_of(charge: Charge, act) -> RefusalError:
    with pytest.raises(RefusalError) as caught:
        charge_run(charge=charge, act=act)
    return caught.value


def test_a_charge_commingles_and_brings_the_electrolyte_into_the_cell(bench):
    batch = bench.electrolyte()
    lot = bench.granules(bench.works.pellow, grams="400")
    run = charge_run(
        charge=Charge(bench.cell, batch, [Take(lot, mass_ug=100_000_000)]), act=bench.act(1)
    )
    batch.refresh_from_db()
    batch.lot.refresh_from_db()
    assert batch.cell == bench.cell
    assert batch.lot.place == bench.cell.place
    assert run.charge_lot.form == Lot.Form.ANODE_CHARGE
    assert run.charge_lot.owner == bench.works.house
    assert claims_of(bench.works.pellow)["Ag"] == 92_500_000
    # A declared content is somebody's word: two per cent of its silver.
    silver = run.charge_lot.entries.get(metal="Ag")
    assert silver.standard_uncertainty_ug == 1_850_000


def test_refused_when_the_cell_is_busy(bench, unchanged):
    run = bench.charged()
    charge = bench.charge()
    before = unchanged()
    refusal = refusal_of(charge, bench.act(2))
    assert (refusal.code, refusal.field) == ("cell_busy", "cell")
    assert run.code in refusal.message
    assert unchanged() == before


def test_refused_when_the_electrolyte_is_in_another_run(bench, unchanged):
    run = bench.charged()
    south = bench.new_cell("south", "south-cell")
    charge = bench.charge(cell=south, electrolyte=run.electrolyte)
    before = unchanged()
    refusal = refusal_of(charge, bench.act(2))
    assert (refusal.code, refusal.field) == ("electrolyte_in_use", "electrolyte")
    assert unchanged() == before


def test_refused_when_part_of_the_lot_hangs_in_another_cell(bench, unchanged):
    lot = bench.granules()
    other = bench.granules()
    bench.charged(takes=[Take(lot, mass_ug=500_000_000)])
    south = bench.new_cell("south", "south-cell")
    charge = bench.charge(cell=south, takes=[Take(other), Take(lot, mass_ug=500_000_000)])
    before = unchanged()
    refusal = refusal_of(charge, bench.act(2))
    assert (refusal.code, refusal.field) == ("lot_in_another_cell", "charge.1")
    assert "Split" in refusal.remedy
    assert unchanged() == before


def test_a_lot_that_hung_elsewhere_or_went_into_a_bath_can_still_be_charged(bench):
    """What was charged elsewhere was put back; what was poured in hangs in no cell."""
    south = bench.new_cell("south", "south-cell")
    lot = bench.granules()
    withdrawn = bench.charged(cell=south, takes=[Take(lot, mass_ug=500_000_000)])
    put_in = withdrawn.run_movements.get().movement
    reverse_movement(movement=put_in, reason="wrong cell", act=bench.act(1))
    north = bench.charged()
    poured = Addition(takes=[Take(lot, mass_ug=100_000_000)])
    top_up_electrolyte(batch=north.electrolyte, addition=poured, act=bench.act(2))
    run = bench.charged(cell=south, hours=3, takes=[Take(lot)])
    assert holding(run.charge_lot).mass_ug == 1_400_000_000
    # Each cell has kept its own electrolyte.
    for each in (north, run):
        each.electrolyte.refresh_from_db()
        assert each.electrolyte.cell == each.cell


@pytest.mark.parametrize("withdrawn", [False, True])
def test_a_charge_through_which_no_current_passed_can_be_put_back(bench, withdrawn):
    """A reading of nothing, or one that was taken back, is no current."""
    amperes = Decimal(40 if withdrawn else 0)
    run = start_run(run=bench.charged(), act=bench.act(2), first=Instruments(amperes))
    if withdrawn:
        withdraw_reading(reading=run.readings.get(), reason="another cell's", act=bench.act(3))
    put_in = run.run_movements.get().movement
    reverse_movement(movement=put_in, reason="no power", act=bench.act(4))
    run.refresh_from_db()
    assert run.state == CellRun.State.WITHDRAWN


def test_refused_when_the_electrolyte_holds_too_much_copper(bench, unchanged):
    charge = bench.charge(electrolyte=bench.electrolyte(copper="60.01"))
    before = unchanged()
    refusal = refusal_of(charge, bench.act(1))
    assert isinstance(refusal, ConflictError)
    assert (refusal.code, refusal.field) == ("copper_above_limit", "electrolyte")
    refusal = refusal_of(replace(charge, acknowledge_copper=True, copper_reason=" "), bench.act(1))
    assert isinstance(refusal, InvalidError)
    assert (refusal.code, refusal.field) == ("empty", "copper_reason")
    assert unchanged() == before

    run = charge_run(
        charge=replace(charge, acknowledge_copper=True, copper_reason="last use before bleed"),
        act=bench.act(1),
    )
    assert run.copper_acknowledged_by == bench.works.operator
    assert run.copper_acknowledgement == "last use before bleed"


def test_copper_at_the_limit_needs_no_acknowledgement(bench):
    run = bench.charged(electrolyte=bench.electrolyte(copper="60"))
    assert run.copper_acknowledged_by is None


def test_refused_for_lots_that_cannot_be_charged(bench, unchanged):
    quarantined, bath = bench.granules(), bench.electrolyte()
    Lot.objects.filter(pk=quarantined.pk).update(state=Lot.State.QUARANTINED)
    small = bench.granules(grams="100")
    copper = bench.granules(Cu="900")
    charge = bench.charge(takes=[Take(small)])
    before = unchanged()
    for takes, code, field in (
        ([Take(small), Take(quarantined)], "lot_not_available", "charge.1"),
        ([Take(small, mass_ug=100_000_001)], "more_than_there_is", "charge.0.mass"),
        ([Take(small), Take(small)], "taken_twice", "charge.1"),
        ([], "nothing_taken", "charge"),
        ([Take(copper)], "no_silver", "charge"),
        ([Take(bath.lot)], "form_not_charged", "charge.0"),
    ):
        refusal = refusal_of(replace(charge, takes=takes), bench.act(1))
        assert (refusal.code, refusal.field) == (code, field)
    assert unchanged() == before


def test_refused_for_a_cell_out_of_use_and_an_electrolyte_not_there_yet(bench, unchanged):
    late = bench.electrolyte(hours=5)
    bench.cell.is_active = False
    bench.cell.save()
    charge = bench.charge()
    before = unchanged()
    refusal = refusal_of(charge, bench.act(1))
    assert (refusal.code, refusal.field) == ("cell_not_in_use", "cell")
    assert unchanged() == before
    bench.cell.is_active = True
    bench.cell.save()
    refusal = refusal_of(replace(charge, electrolyte=late), bench.act(1))
    assert (refusal.code, refusal.field) == ("electrolyte_empty", "electrolyte")


def test_the_same_request_twice_charges_once(bench):
    charge = bench.charge()
    first = charge_run(charge=charge, act=bench.act(1, key="charge-1"))
    again = charge_run(charge=charge, act=bench.act(1, key="charge-1"))
    assert first.pk == again.pk
    assert CellRun.objects.count() == 1


def test_reversing_a_charge_puts_the_lots_back_and_frees_the_cell(bench):
    lot = bench.granules(bench.works.pellow)
    run = bench.charged(takes=[Take(lot)])
    movement = run.run_movements.get().movement
    reverse_movement(movement=movement, reason="wrong lot", act=bench.act(1))
    run.refresh_from_db()
    lot.refresh_from_db()
    assert run.state == CellRun.State.WITHDRAWN
    assert holding(lot).metals["Ag"] == 1_387_500_000
    assert lot.state == Lot.State.AVAILABLE
    assert claims_of(bench.works.pellow) == {}
    assert bench.charged(hours=2, takes=[Take(lot)], electrolyte=run.electrolyte).pk != run.pk


def test_a_charge_that_has_run_is_not_reversed(bench, unchanged):
    run = bench.stopped()
    movement = run.run_movements.get().movement
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        reverse_movement(movement=movement, reason="wrong lot", act=bench.act(13))
    assert (caught.value.code, caught.value.field) == ("run_has_run", "movement")
    assert unchanged() == before
    assert run.charge_lot.entries.filter(metal="Ag").get().mass_ug == 1_387_500_000
    assert Decimal(400) == run.coulomb_count.ampere_hours
