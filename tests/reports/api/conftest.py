"""A works with at least two rows in every list, through services (invented)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.files.base import ContentFile

from cells.models import Cell
from cells.services.cell_warnings import refresh_warnings
from cells.services.charge import Charge, charge_run
from cells.services.close_run import close_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import harvest_run
from cells.services.measure_electrolyte import measure_electrolyte
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.slimes_recovery import finish_recovery, group_bags
from lots import clock
from lots.ledger.recording import Act
from lots.measurements.assays import record_assay
from lots.measurements.impurities import ImpurityReport, record_impurities
from lots.measurements.outputs import Output, Volume
from lots.measurements.weighings import record_weighing
from lots.models import Balance, Lot
from lots.services.bars_listing import Bar, list_bar
from lots.services.delivery import Delivered, deliver
from lots.services.documents import attach_document
from lots.services.process_batches import record_output
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take
from reports.models import AccessRecord
from reports.services.access_records import record_access
from reports.services.approvals import propose_adjustments
from reports.services.counts import Found, enter_count, open_count_sheet
from reports.services.month_end import begin_month_end
from reports.services.prices import record_price
from reports.services.settlement import prepare_settlement
from reports.services.settlement_question import ask_question
from reports.services.shared_links import share_link
from reports.services.terms import set_terms
from tests.cells.conftest import Bench

JUNE_NOON = dt.datetime(2026, 6, 2, 12, 0, tzinfo=dt.UTC)
TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "exchanged": False,
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2"}],
}


@pytest.fixture
def ran(works: SimpleNamespace) -> SimpleNamespace:
    """One electrolyte through a run in each of two cells, both closed, and a bag recovered."""
    Balance.objects.create(
        code="scoop",
        name="Scoop balance",
        capacity_ug=600_000_000,
        readability_ug=10_000,
        standard_uncertainty_ug=10_000,
        calibration_due=dt.date(2027, 1, 31),
    )
    bench = Bench(works)
    cells = [bench.cell, bench.new_cell("south", "south-cell", fuse_rating_a=Decimal(39))]
    batch = bench.electrolyte(litres="12")
    bench.electrolyte(litres="5", hours=0.5)
    runs = [_run(bench, cell, batch, 1 + 40 * number) for number, cell in enumerate(cells)]
    measure_electrolyte(
        batch=batch,
        measurement=ElectrolyteMeasurement(assay=bench.assay("g_per_l", Ag="55", Cu="25")),
        act=bench.act(95),
    )
    bags = [bag for run in runs for bag in run.slimes_bags.all()]
    for number, bag in enumerate(bags):
        _recover(bench, bag, 100 + 10 * number)
    return SimpleNamespace(bench=bench, runs=runs, batch=batch, bags=bags, works=works)


def _recover(bench: Bench, bag: Any, hours: float) -> None:
    place = bench.works.places["wet-bench"]
    recovery = group_bags(bags=[bag], place=place, act=bench.act(hours))
    gold = Output(
        form="fine_gold",
        place=bench.works.places["fine-safe"],
        weight=bench.weight("2.5"),
        declared={"Au": Decimal("995")},
    )
    record_output(batch=recovery, output=gold, act=bench.act(hours + 1))
    finish_recovery(batch=recovery, act=bench.act(hours + 2))


def _run(bench: Bench, cell: Cell, batch: Any, hours: float) -> Any:
    owner = bench.works.brackwater if hours == 1 else bench.works.pellow
    lot = bench.granules(owner, hours=hours - 0.5)
    charge = Charge(cell, batch, [Take(lot)])
    run = bench.stopped(charge_run(charge=charge, act=bench.act(hours)), hours=hours + 1)
    refresh_warnings(run=run, act=bench.act(hours + 12))
    place = bench.works.places["slimes-cabinet"]
    bag_slimes(run=run, bag=BagTaken(place=place), act=bench.act(hours + 13))
    harvest_run(run=run, crystal=bench.crystal("1500"), act=bench.act(hours + 14))
    water = RinseWater(
        volume=Volume(6_000_000, 20_000),
        place=bench.works.places["wet-bench"],
        assay=bench.assay("g_per_l", Ag="1.5", Cu="0.4"),
    )
    take_rinse_water(run=run, water=water, act=bench.act(hours + 15))
    return close_run(run=run, act=bench.act(hours + 16))


@pytest.fixture
def busy(
    ran: SimpleNamespace,
    act: Callable[..., Act],
    settings: Any,
    tmp_path: Any,
) -> Iterator[SimpleNamespace]:
    """The runs, and on top: counts, proposals, prices, terms, drafts, questions, documents."""
    settings.MEDIA_ROOT = tmp_path
    works, bench = ran.works, ran.bench
    with clock.at(JUNE_NOON):
        office = act(0, who=works.accountant)
        for number, owner in enumerate((works.brackwater, works.pellow)):
            set_terms(customer=owner, content=TERMS, act=office, valid_from=dt.date(2026, 1, 1))
            lot = bench.granules(owner, grams="100", hours=120 + number)
            record_assay(lot=lot, report=bench.assay(Ag="925"), act=bench.act(125 + number))
            name = f"paper-{number}.pdf"
            attach_document(
                lot=lot, file=ContentFile(b"%PDF-1.7 " + name.encode(), name), act=office
            )
            prepare_settlement(lot=lot, kind="final", act=office)
            ask_question(lot=lot, question="Where is it?", act=office)
            record_price(
                metal="Ag",
                per_unit="ozt",
                price=Decimal(30 + number),
                currency="EUR",
                from_date=dt.date(2026, 4, 1 + number),
                act=office,
            )
        for first_day in (dt.date(2026, 4, 1), dt.date(2026, 5, 1)):
            month_end = begin_month_end(first_day=first_day, act=office)
            for place in ("fine-safe", "feed-shelf"):
                open_count_sheet(month_end=month_end, place=works.places[place], act=office)
        sheet = month_end.count_sheets.get(place=works.places["feed-shelf"])
        lots = [line.lot for line in sheet.lines.all()]
        for lot in lots:
            found = Found(weight=bench.weight("99"))
            enter_count(sheet=sheet, lot=lot, found=found, act=office)
        propose_adjustments(sheet=sheet, causes={lot.code: "spillage" for lot in lots}, act=office)
        for number, owner in enumerate((works.brackwater, works.pellow)):
            _bar_out(bench, owner, 130 + 10 * number)
            share_link(lot=owner.lots_received.first(), days=3, act=office)
            record_access(
                customer=owner,
                what=AccessRecord.What.LOTS,
                reference=owner.code,
                form="page",
                user=works.accountant,
            )
        yield SimpleNamespace(**vars(ran), sheet=sheet, counted=lots)


def _bar_out(bench: Bench, owner: Any, hours: float) -> None:
    """A customer's bar comes in, is listed and analysed, and goes back under a note."""
    weight = bench.weight("1000")
    receipt = Receipt(
        party=owner,
        owner=owner,
        form=Lot.Form.BAR,
        place=bench.works.places["wet-bench"],
        weight=weight,
        declared={"Ag": Decimal("999.5")},
    )
    lot = receive_lot(receipt=receipt, act=bench.act(hours))
    found = record_assay(lot=lot, report=bench.assay(Ag="999.5"), act=bench.act(hours + 1))
    weighed = record_weighing(lot=lot, weight=weight, purpose="output", act=bench.act(hours + 1))
    bar = Bar(f"TQ {hours:.0f}", "Ag", weighed, found)
    list_bar(lot=lot, bar=bar, act=bench.act(hours + 2))
    report = ImpurityReport(bench.works.laboratory, {"Ag": "999.5", "Cu": "0.3"})
    record_impurities(lot=lot, report=report, act=bench.act(hours + 2))
    deliver(kind="return", party=owner, items=[Delivered(lot)], act=bench.act(hours + 3))
