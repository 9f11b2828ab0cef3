"""Whatever a run weighs and finds, the books balance, nothing is below zero, and claims add up."""

from __future__ import annotations

from decimal import Decimal
from types import SimpleNamespace

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cells.models import Cell, CellRun
from cells.queries.run_summary import run_summary
from cells.services.charge import Charge, charge_run
from cells.services.close_run import close_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import Crystal, harvest_run
from cells.services.prepare_electrolyte import ElectrolyteInUse, open_electrolyte
from cells.services.readings import Instruments
from cells.services.remnant import take_remnant
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from lots.ledger.holdings import balances
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding
from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight
from lots.models import ClaimEntry, Entry, MaterialEntry, Movement
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take

grams = st.integers(min_value=1_000_000, max_value=3_000_000_000)
ppt = st.integers(min_value=0, max_value=200_000).map(lambda n: Decimal(n).scaleb(-3))


@st.composite
def runs(draw: st.DrawFn) -> SimpleNamespace:
    """A run's figures, in micrograms and parts per thousand, likely or not."""
    masses = draw(st.lists(grams, min_size=1, max_size=3))
    return SimpleNamespace(
        masses=masses,
        shares=draw(st.lists(st.integers(1, 1000), min_size=len(masses), max_size=len(masses))),
        silver=draw(
            st.integers(min_value=10_000, max_value=400_000).map(lambda n: Decimal(n) / 1000)
        ),
        minor=[draw(ppt) for _ in range(3)],
        bath=(draw(st.integers(0, 100)), draw(st.integers(0, 60))),
        remnant=draw(st.integers(0, 999)),
        kept=draw(st.none() | st.integers(0, 100).map(lambda n: Decimal(n) / 100)),
        crystal=draw(grams),
        fineness=draw(st.integers(900_000, 1_000_000).map(lambda n: Decimal(n) / 1000)),
        rinse=draw(st.integers(0, 20_000_000)),
        measured=draw(st.none() | st.integers(0, 100)),
    )


def assert_books_hold() -> None:
    for metal, total in Entry.objects.order_by().values_list("metal").annotate(Sum("mass_ug")):
        assert total == 0, metal
    assert all(row["total"] > 0 for row in balances())
    pool = dict(
        Entry.objects.filter(lot__isnull=False, owner__kind="house")
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("mass_ug"))
    )
    claims = dict(ClaimEntry.objects.order_by().values_list("metal").annotate(total=Sum("mass_ug")))
    for metal in pool.keys() | claims.keys():
        assert pool.get(metal, 0) == claims.get(metal, 0), metal
    for row in (
        MaterialEntry.objects.order_by()
        .values("lot")
        .annotate(mass=Sum("mass_ug"), volume=Sum("volume_ul"))
    ):
        assert row["mass"] >= 0
        assert row["volume"] >= 0


def play(works: SimpleNamespace, act, made: SimpleNamespace) -> CellRun:
    """One run from receipt to closing with the figures drawn, checked after every step."""

    def weight(mass_ug: int) -> Weight:
        return Weight(gross_ug=mass_ug, tare_ug=0, balance=works.balance)

    def assay(**figures: int) -> AssayReport:
        return AssayReport(
            method="titration",
            laboratory=works.laboratory,
            basis="g_per_l",
            findings={m: Finding(Decimal(v), Decimal("0.1")) for m, v in figures.items()},
        )

    owners = [works.brackwater, works.house, works.pellow]
    declared = {"Ag": made.silver, **dict(zip(("Cu", "Au", "Pd"), made.minor, strict=True))}
    lots = [
        receive_lot(
            receipt=Receipt(
                owner, owner, "granules", works.places["feed-shelf"], weight(mass), declared
            ),
            act=act(0),
        )
        for owner, mass in zip(owners, made.masses, strict=False)
    ]
    batch = open_electrolyte(
        electrolyte=ElectrolyteInUse(
            works.places["carboys"],
            ElectrolyteMeasurement(Volume(12_000_000, 0), assay(Ag=made.bath[0], Cu=made.bath[1])),
        ),
        act=act(0),
    )
    takes = [
        Take(lot, mass_ug=max(1, mass * share // 1000))
        for lot, mass, share in zip(lots, made.masses, made.shares, strict=True)
    ]
    run = charge_run(charge=Charge(works.cell, batch, takes), act=act(1))
    run = start_run(run=run, act=act(1), first=Instruments(Decimal(30)))
    run = stop_run(run=run, act=act(2), last=Instruments(Decimal(20)))
    assert_books_hold()
    mass_ug = sum(take.mass_ug or 0 for take in takes)
    remnant_ug = mass_ug * made.remnant // 1000
    if remnant_ug:
        take_remnant(
            run=run, weight=weight(remnant_ug), place=works.places["feed-shelf"], act=act(3)
        )
        assert_books_hold()
    bag = BagTaken(works.places["slimes-cabinet"], torn=made.kept is not None, kept_share=made.kept)
    bag_slimes(run=run, bag=bag, act=act(3))
    assert_books_hold()
    crystal = Crystal(
        weight(made.crystal),
        works.places["fine-safe"],
        rinse_count=6,
        chloride_clear=True,
        dry=True,
        declared={"Ag": made.fineness},
    )
    harvest_run(run=run, crystal=crystal, act=act(4))
    assert_books_hold()
    water = RinseWater(
        Volume(5_000_000, 0), works.places["wet-bench"], estimated={"Ag": made.rinse}
    )
    take_rinse_water(run=run, water=water, act=act(5))
    measured = (
        None
        if made.measured is None
        else ElectrolyteMeasurement(assay=assay(Ag=made.measured, Cu=made.measured))
    )
    run = close_run(run=run, act=act(6), measurement=measured)
    assert_books_hold()
    return run


@pytest.fixture
def cell_works(works):
    works.cell = Cell.objects.create(
        code="north",
        name="North",
        place=works.places["north-cell"],
        bath_volume_ul=12_000_000,
        current_limit_a=60,
        fuse_rating_a=50,
    )
    return works


@given(made=runs())
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_run_is_accounted_for_and_can_be_taken_back(cell_works, act, made):
    with transaction.atomic():
        before = Movement.objects.count()
        run = play(cell_works, act, made)
        account = run_summary(run)
        assert account.crystal is not None
        for metal in ("Ag", "Cu", "Au", "Pd"):
            came_in = account.charged.get(metal, 0) + account.electrolyte_in.metals.get(metal, 0)
            went_out = sum(
                side.get(metal, 0)
                for side in (
                    account.remnant,
                    account.slimes,
                    account.crystal.metals,
                    account.rinse,
                    account.electrolyte_out.metals,
                )
            )
            assert came_in - went_out == account.difference.get(metal, 0), metal
        for step in Movement.objects.filter(run_movement__run=run).order_by("-sequence"):
            reverse_movement(movement=step, reason="taken back", act=act(7))
            assert_books_hold()
            if step.kind == Movement.Kind.SLIMES:
                break
        assert Movement.objects.count() > before
        transaction.set_rollback(True)
