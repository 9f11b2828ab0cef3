"""Electrolyte is made, opened, topped up, measured and bled."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from cells.models import CellRun, ElectrolyteReading
from cells.services.bleed import bleed_electrolyte
from cells.services.close_run import close_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import harvest_run
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.prepare_electrolyte import (
    ElectrolyteInUse,
    MakeUp,
    open_electrolyte,
    prepare_electrolyte,
)
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.top_up import Addition, top_up_electrolyte
from config.refusals import ConflictError, InvalidError
from lots.ledger import accounts
from lots.ledger.holdings import claims_of, holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.outputs import Volume
from lots.models import Entry, Lot
from lots.services.taking import Take


def litres(value: str) -> Volume:
    return Volume(int(Decimal(value) * 1_000_000), 20_000)


def on_account(code: str) -> dict[str, int]:
    totals: dict[str, int] = {}
    for metal, mass_ug in Entry.objects.filter(account__code=code).values_list("metal", "mass_ug"):
        totals[metal] = totals.get(metal, 0) + mass_ug
    return {metal: total for metal, total in totals.items() if total}


def test_made_from_a_customers_crystal_and_bought_nitrate(bench):
    works = bench.works
    lot = bench.granules(works.pellow, grams="500", Ag="999")
    batch = prepare_electrolyte(
        make_up=MakeUp(
            place=works.places["carboys"],
            volume=litres("10"),
            takes=[Take(lot, mass_ug=300_000_000)],
            supplies_ug={"Ag": 100_000_000},
        ),
        act=bench.act(1),
    )
    held = holding(batch.lot)
    assert held.metals == {"Ag": 399_700_000}
    assert (held.volume_ul, held.mass_ug) == (10_000_000, 0)
    assert claims_of(works.pellow) == {"Ag": 299_700_000}
    assert on_account(accounts.SUPPLIES) == {"Ag": -100_000_000}
    assert (batch.use_number, batch.cell) == (1, None)


def test_one_made_can_be_unmade_until_it_is_used(bench, unchanged):
    lot = bench.granules(grams="900", Ag="999")
    batch = prepare_electrolyte(
        make_up=MakeUp(place=bench.works.places["carboys"], volume=litres("10"), takes=[Take(lot)]),
        act=bench.act(0.5),
    )
    movement = batch.lot.standings.first().movement
    run = bench.charged(electrolyte=batch)
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        reverse_movement(movement=movement, reason="x", act=bench.act(2))
    assert caught.value.code == "later_steps_stand"
    assert unchanged() == before
    reverse_movement(movement=run.run_movements.get().movement, reason="x", act=bench.act(2))
    reverse_movement(movement=movement, reason="x", act=bench.act(2))
    assert holding(lot).metals == {"Ag": 899_100_000}
    assert holding(batch.lot).is_empty


def test_refused_make_ups(bench, unchanged):
    make_up = MakeUp(place=bench.works.places["carboys"], volume=litres("10"))
    before = unchanged()
    for changes, code, field in (
        ({}, "nothing_taken", "inputs"),
        ({"supplies_ug": {"Ag": 0}}, "not_positive", "supplies.Ag"),
        ({"supplies_ug": {"Xx": 5}}, "unknown_metal", "supplies.Xx"),
        ({"supplies_ug": {"Ag": 5}, "volume": Volume(0, 0)}, "not_positive", "volume"),
    ):
        with pytest.raises(InvalidError) as caught:
            prepare_electrolyte(make_up=replace(make_up, **changes), act=bench.act())
        assert (caught.value.code, caught.value.field) == (code, field)
    assert unchanged() == before


def test_refused_openings(bench, unchanged):
    assay = bench.assay("g_per_l", Ag="60")
    whole = ElectrolyteInUse(
        place=bench.works.places["carboys"],
        measurement=ElectrolyteMeasurement(volume=litres("12"), assay=assay),
    )
    before = unchanged()
    for electrolyte, code, field in (
        (
            replace(whole, measurement=ElectrolyteMeasurement(assay=assay)),
            "quantity_needed",
            "volume",
        ),
        (
            replace(whole, measurement=ElectrolyteMeasurement(volume=litres("1"))),
            "quantity_needed",
            "assay",
        ),
        (
            replace(whole, measurement=ElectrolyteMeasurement(litres("1"), bench.assay(Ag="60"))),
            "basis_without_quantity",
            "assay.basis",
        ),
        (replace(whole, use_number=0), "not_positive", "use_number"),
    ):
        with pytest.raises(InvalidError) as caught:
            open_electrolyte(electrolyte=electrolyte, act=bench.act())
        assert (caught.value.code, caught.value.field) == (code, field)
    assert unchanged() == before


def test_measured_between_runs_the_book_follows(bench):
    batch = bench.electrolyte(silver="60", copper="20", litres="12")
    reading = measure_electrolyte(
        batch=batch,
        measurement=ElectrolyteMeasurement(
            volume=litres("11.5"),
            assay=bench.assay("g_per_l", Ag="61", Pd="0.02"),
            free_acid_g_per_l=Decimal("8.5"),
        ),
        act=bench.act(1),
    )
    held = holding(batch.lot)
    assert held.metals == {"Ag": 701_500_000, "Cu": 240_000_000, "Pd": 230_000}
    assert held.volume_ul == 11_500_000
    assert on_account(accounts.CELL_DIFFERENCE) == {"Ag": 18_500_000, "Pd": -230_000}
    assert reading.free_acid_g_per_l == Decimal("8.5")
    assert reading.movement.kind == "electrolyte_state"


def test_measured_without_a_volume_the_books_volume_counts(bench):
    batch = bench.electrolyte()
    measure_electrolyte(
        batch=batch,
        measurement=ElectrolyteMeasurement(assay=bench.assay("g_per_l", Ag="50")),
        act=bench.act(1),
    )
    assert holding(batch.lot).metals["Ag"] == 600_000_000


def test_measured_during_a_run_nothing_is_posted(bench):
    run = bench.stopped()
    before = Entry.objects.count()
    reading = measure_electrolyte(
        batch=run.electrolyte,
        measurement=ElectrolyteMeasurement(assay=bench.assay("g_per_l", Ag="40")),
        act=bench.act(13),
    )
    assert reading.movement is None
    assert Entry.objects.count() == before
    assert holding(run.electrolyte.lot).metals["Ag"] == 720_000_000


def test_refused_measurements(bench, unchanged):
    batch = bench.electrolyte()
    before = unchanged()
    for measurement, code, field in (
        (ElectrolyteMeasurement(), "nothing_measured", "measurement"),
        (ElectrolyteMeasurement(assay=bench.assay(Ag="60")), "basis_without_quantity", None),
        (ElectrolyteMeasurement(free_acid_g_per_l=Decimal(-1)), "too_small", "free_acid_g_per_l"),
        (ElectrolyteMeasurement(volume=Volume(-1, 0)), "not_positive", "volume"),
    ):
        with pytest.raises(InvalidError) as caught:
            measure_electrolyte(batch=batch, measurement=measurement, act=bench.act(1))
        assert caught.value.code == code
        assert field in {None, caught.value.field}
    assert ElectrolyteReading.objects.count() == 1
    assert unchanged() == before


def test_topped_up_during_a_run_and_noted_with_it(bench):
    run = bench.stopped()
    lot = bench.granules(grams="100", Ag="999")
    movement = top_up_electrolyte(
        batch=run.electrolyte,
        addition=Addition(volume=litres("0.5"), takes=[Take(lot)], supplies_ug={"Ag": 1_000_000}),
        act=bench.act(13),
    )
    held = holding(run.electrolyte.lot)
    assert held.metals["Ag"] == 720_000_000 + 99_900_000 + 1_000_000
    assert held.volume_ul == 12_500_000
    assert movement.run_movement.run == run


def test_a_top_up_belongs_to_the_run_that_the_electrolyte_was_in_then(bench):
    def run_of(batch, hours: float) -> CellRun | None:
        water = Addition(volume=litres("0.1"))
        movement = top_up_electrolyte(batch=batch, addition=water, act=bench.act(hours))
        return CellRun.objects.filter(run_movements__movement=movement).first()

    batch, aside = bench.electrolyte(), bench.electrolyte()
    withdrawn = bench.charged(electrolyte=batch)
    charge = withdrawn.run_movements.get().movement
    reverse_movement(movement=charge, reason="x", act=bench.act(1.2))
    assert run_of(batch, 1.4) is None
    run = bench.stopped(bench.charged(electrolyte=batch, hours=1.5))
    assert run_of(batch, 13) == run
    assert run_of(batch, 0.5) is None
    assert run_of(aside, 13) is None
    held = holding(batch.lot)
    assert (held.metals["Ag"], held.volume_ul) == (720_000_000, 12_300_000)


def test_a_top_up_does_not_change_the_runs_difference(bench):
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    top_up_electrolyte(
        batch=run.electrolyte, addition=Addition(supplies_ug={"Ag": 50_000_000}), act=bench.act(13)
    )
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    close_run(run=run, act=bench.act(15))
    assert on_account(accounts.CELL_DIFFERENCE) == {}
    assert on_account(accounts.SUPPLIES) == {"Ag": -50_000_000}
    assert holding(run.electrolyte.lot).metals["Ag"] == (
        720_000_000 + 50_000_000 + 1_359_750_000 - 1_498_500_000
    )


def test_refused_top_ups(bench, unchanged):
    batch = bench.electrolyte()
    before = unchanged()
    with pytest.raises(InvalidError) as caught:
        top_up_electrolyte(batch=batch, addition=Addition(), act=bench.act(1))
    assert (caught.value.code, caught.value.field) == ("nothing_taken", "addition")
    assert unchanged() == before
    Lot.objects.filter(pk=batch.lot_id).update(state=Lot.State.QUARANTINED)
    before = unchanged()
    for pour in (
        lambda: top_up_electrolyte(
            batch=batch, addition=Addition(volume=litres("1")), act=bench.act(1)
        ),
        lambda: bleed_electrolyte(
            batch=batch, volume=litres("1"), place=bench.works.places["wet-bench"], act=bench.act(1)
        ),
    ):
        with pytest.raises(ConflictError) as conflict:
            pour()
        assert (conflict.value.code, conflict.value.field) == ("lot_not_available", "electrolyte")
    assert unchanged() == before


def test_bled_in_proportion(bench):
    batch = bench.electrolyte(silver="60", copper="20", litres="12")
    solution = bleed_electrolyte(
        batch=batch, volume=litres("3"), place=bench.works.places["wet-bench"], act=bench.act(1)
    )
    assert solution.form == Lot.Form.SOLUTION
    assert holding(solution).metals == {"Ag": 180_000_000, "Cu": 60_000_000}
    assert holding(solution).volume_ul == 3_000_000
    assert holding(batch.lot).metals == {"Ag": 540_000_000, "Cu": 180_000_000}
    assert holding(batch.lot).volume_ul == 9_000_000


def test_bled_during_a_run_only_by_assay(bench, unchanged):
    run = bench.stopped()
    place = bench.works.places["wet-bench"]
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        bleed_electrolyte(batch=run.electrolyte, volume=litres("3"), place=place, act=bench.act(13))
    assert (caught.value.code, caught.value.field) == ("assay_needed", "assay")
    with pytest.raises(ConflictError) as caught:
        bleed_electrolyte(
            batch=run.electrolyte,
            volume=litres("12.1"),
            place=place,
            assay=bench.assay("g_per_l", Ag="30"),
            act=bench.act(13),
        )
    assert (caught.value.code, caught.value.field) == ("more_than_there_is", "bleed.0.volume")
    assert unchanged() == before
    solution = bleed_electrolyte(
        batch=run.electrolyte,
        volume=litres("3"),
        place=place,
        assay=bench.assay("g_per_l", Ag="30", Cu="28"),
        act=bench.act(13),
    )
    assert holding(solution).metals == {"Ag": 90_000_000, "Cu": 84_000_000}
    assert solution.content == Lot.Content.ASSAYED
    assert solution.run_movements.get().run == run
    assert holding(run.electrolyte.lot).metals == {"Ag": 630_000_000, "Cu": 156_000_000}
    assert holding(run.electrolyte.lot).volume_ul == 9_000_000


def test_bled_without_an_assay_before_the_run_began_and_after_its_harvest(bench):
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    # Charged at one, switched on at two; both are told late.
    for hours in (1.5, 14.5):
        solution = bleed_electrolyte(
            batch=run.electrolyte,
            volume=litres("1"),
            place=bench.works.places["wet-bench"],
            act=bench.act(hours),
        )
        assert solution.content == Lot.Content.BY_PROPORTION
    with pytest.raises(ConflictError) as caught:
        bleed_electrolyte(
            batch=run.electrolyte, volume=litres("1"), place=solution.place, act=bench.act(2.5)
        )
    assert caught.value.code == "assay_needed"


def test_a_late_entered_measurement_of_a_run_posts_nothing(bench):
    """At that moment the run had changed the electrolyte, and the closing set it right."""
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    close_run(run=run, act=bench.act(15))
    reading = measure_electrolyte(
        batch=run.electrolyte,
        measurement=ElectrolyteMeasurement(assay=bench.assay("g_per_l", Ag="40")),
        act=bench.act(8),
    )
    assert reading.movement is None


def test_what_a_measurement_reckoned_with_is_not_reversed_before_it(bench, unchanged):
    batch = bench.electrolyte()
    opened = batch.lot.standings.get().movement
    topped = top_up_electrolyte(
        batch=batch, addition=Addition(supplies_ug={"Ag": 5_000_000}), act=bench.act(1)
    )
    solution = bleed_electrolyte(
        batch=batch, volume=litres("1"), place=bench.works.places["wet-bench"], act=bench.act(2)
    )
    bled = solution.standings.get().movement
    reading = measure_electrolyte(
        batch=batch,
        measurement=ElectrolyteMeasurement(assay=bench.assay("g_per_l", Ag="55")),
        act=bench.act(3),
    )
    before = unchanged()
    for movement in (opened, topped, bled):
        with pytest.raises(ConflictError) as caught:
            reverse_movement(movement=movement, reason="x", act=bench.act(4))
        assert (caught.value.code, caught.value.field) == ("later_steps_stand", "movement")
        assert str(reading.movement.sequence) in caught.value.remedy
    assert unchanged() == before
    for movement in (reading.movement, bled, topped, opened):
        reverse_movement(movement=movement, reason="x", act=bench.act(4))
    assert holding(batch.lot).is_empty


def test_water_that_a_volume_was_measured_with_is_not_taken_back_before_it(bench):
    batch = bench.electrolyte()
    water = top_up_electrolyte(batch=batch, addition=Addition(volume=litres("1")), act=bench.act(1))
    measured = ElectrolyteMeasurement(volume=litres("12.5"))
    measure_electrolyte(batch=batch, measurement=measured, act=bench.act(2))
    with pytest.raises(ConflictError) as caught:
        reverse_movement(movement=water, reason="x", act=bench.act(3))
    assert caught.value.code == "later_steps_stand"


def test_only_a_later_measurement_of_the_same_electrolyte_that_stands_keeps_a_top_up(bench):
    batch, other = bench.electrolyte(), bench.electrolyte()

    def measured(which, hours: float):
        assay = bench.assay("g_per_l", Ag="55")
        measurement = ElectrolyteMeasurement(assay=assay)
        return measure_electrolyte(batch=which, measurement=measurement, act=bench.act(hours))

    measured(batch, 0.5)
    silver = Addition(supplies_ug={"Ag": 5_000_000})
    topped = top_up_electrolyte(batch=batch, addition=silver, act=bench.act(1))
    measured(other, 2)
    mistaken = measured(batch, 2)
    reverse_movement(movement=mistaken.movement, reason="another bath's", act=bench.act(2))
    top_up_electrolyte(batch=batch, addition=silver, act=bench.act(3))
    reverse_movement(movement=topped, reason="x", act=bench.act(4))
    assert holding(batch.lot).metals["Ag"] == 660_000_000 + 5_000_000
