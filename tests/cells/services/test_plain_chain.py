"""From receipt to the electrolyte's second use: every microgram on the books at every step."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal

from django.db.models import Sum

from cells.models import CellRun, SlimesBag
from cells.services.charge import Charge, charge_run
from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.readings import Instruments
from cells.services.remnant import take_remnant
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from lots.ledger import accounts
from lots.ledger.holdings import claims_of, holding
from lots.measurements.outputs import Volume
from lots.models import ClaimEntry, Entry, Lot
from lots.services.taking import Take


def pool_and_claims() -> tuple[dict[str, int], dict[str, int]]:
    """What house-owned lots hold, and what all claims (the house's among them) add up to."""
    held: dict[str, int] = defaultdict(int)
    for metal, total in (
        Entry.objects.filter(lot__isnull=False, owner__kind="house")
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("mass_ug"))
    ):
        held[metal] += total
    claimed = dict(
        ClaimEntry.objects.order_by().values_list("metal").annotate(total=Sum("mass_ug"))
    )
    return dict(held), claimed


def assert_books_hold() -> None:
    for metal, total in Entry.objects.order_by().values_list("metal").annotate(Sum("mass_ug")):
        assert total == 0, metal
    held, claimed = pool_and_claims()
    assert held == claimed


def on_account(code: str) -> dict[str, int]:
    rows = Entry.objects.filter(account__code=code).order_by().values_list("metal")
    return {metal: total for metal, total in rows.annotate(total=Sum("mass_ug")) if total}


def test_every_microgram_is_on_the_books_through_a_run(bench):
    works = bench.works
    isolde = bench.granules(works.brackwater, grams="1000")
    house = bench.granules(grams="700", Ag="900", Cu="95")
    batch = bench.electrolyte(silver="60", copper="20", litres="12")
    assert holding(batch.lot).metals == {"Ag": 720_000_000, "Cu": 240_000_000}

    # Charge: all of Isolde's lot and 500 g of the house's.
    run = charge_run(
        charge=Charge(bench.cell, batch, [Take(isolde), Take(house, mass_ug=500_000_000)]),
        act=bench.act(1),
    )
    charge = run.charge_lot
    assert run.state == CellRun.State.CHARGED
    assert holding(charge).metals == {
        "Ag": 925_000_000 + 450_000_000,
        "Cu": 70_000_000 + 47_500_000,
        "Au": 2_000_000,
        "Pd": 1_000_000,
    }
    assert holding(charge).mass_ug == 1_500_000_000
    assert holding(house).metals == {"Ag": 180_000_000, "Cu": 19_000_000}
    assert holding(isolde).is_empty
    assert claims_of(works.brackwater) == {
        "Ag": 925_000_000,
        "Cu": 70_000_000,
        "Au": 2_000_000,
        "Pd": 1_000_000,
    }
    assert_books_hold()

    run = bench.stopped(run)
    assert run.coulomb_count.ampere_hours == Decimal("400")
    assert run.coulomb_count.gap_count == 0

    # Remnant: a tenth of the charge comes back.
    remnant = take_remnant(
        run=run, weight=bench.weight("150"), place=works.places["feed-shelf"], act=bench.act(13)
    )
    assert remnant.form == Lot.Form.ANODE_REMNANT
    assert holding(remnant).metals == {
        "Ag": 137_500_000,
        "Cu": 11_750_000,
        "Au": 200_000,
        "Pd": 100_000,
    }
    left = holding(charge).metals
    assert left == {"Ag": 1_237_500_000, "Cu": 105_750_000, "Au": 1_800_000, "Pd": 900_000}
    assert_books_hold()

    # Slimes: all the gold; 2 % of the silver, 1 % of the copper, half of the palladium.
    bag = bag_slimes(run=run, bag=BagTaken(place=works.places["slimes-cabinet"]), act=bench.act(14))
    in_bag = {"Ag": 24_750_000, "Cu": 1_057_500, "Au": 1_800_000, "Pd": 450_000}
    assert holding(bag.lot).metals == in_bag
    assert bag.state == SlimesBag.State.WAITING
    assert bag.lot.content == Lot.Content.BY_DIFFERENCE
    assert {each.metal: each.booked_ug for each in bag.estimates.all() if each.booked_ug} == in_bag
    dissolved = {"Ag": 1_212_750_000, "Cu": 104_692_500, "Pd": 450_000}
    assert holding(charge).metals == dissolved
    assert_books_hold()

    # Harvest: 1 500 g of crystal at 999; what dissolved joins the electrolyte in one movement.
    harvest = harvest_run(run=run, crystal=bench.crystal("1500"), act=bench.act(20))
    run.refresh_from_db()
    crystal_ug = 1_498_500_000
    assert holding(harvest.lot).metals == {"Ag": crystal_ug}
    assert harvest.lot.state == Lot.State.AVAILABLE
    assert holding(charge).is_empty
    after_harvest = 720_000_000 + dissolved["Ag"] - crystal_ug
    assert holding(batch.lot).metals == {
        "Ag": after_harvest,
        "Cu": 240_000_000 + dissolved["Cu"],
        "Pd": dissolved["Pd"],
    }
    # 400 Ah at 4.0247 g/Ah (Faraday's law; CODATA and CIAAW constants).
    assert abs(harvest.expected_silver_ug - 1_609_880_000) < 100_000
    assert_books_hold()

    # Rinse water: 6 L that took 9 g of silver from the electrolyte on the crystal.
    rinse = take_rinse_water(
        run=run,
        water=RinseWater(
            volume=Volume(6_000_000, 20_000),
            place=works.places["wet-bench"],
            assay=bench.assay("g_per_l", Ag="1.5", Cu="0.4"),
        ),
        act=bench.act(21),
    )
    assert holding(rinse).metals == {"Ag": 9_000_000, "Cu": 2_400_000}
    assert_books_hold()

    # Close: nobody assayed the electrolyte, so nothing is posted as lost.
    run = close_run(run=run, act=bench.act(22))
    assert run.state == CellRun.State.CLOSED
    assert holding(batch.lot).metals["Ag"] == after_harvest - 9_000_000
    assert on_account(accounts.CELL_DIFFERENCE) == {}
    assert_books_hold()
    batch.refresh_from_db()
    assert batch.use_number == 2

    # The electrolyte's second use.
    second = charge_run(charge=Charge(bench.cell, batch, [Take(remnant)]), act=bench.act(30))
    assert second.use_number == 2
    assert second.code != run.code
    assert start_run(run=second, act=bench.act(31), first=Instruments(Decimal(20))).state == (
        CellRun.State.RUNNING
    )
    assert_books_hold()
