"""The North cell of Tern Quay Refining (invented), its electrolyte and what is fed to it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace

import pytest

from cells.models import Cell, CellRun, ElectrolyteBatch
from cells.services.charge import Charge, charge_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.harvest import Crystal
from cells.services.prepare_electrolyte import ElectrolyteInUse, open_electrolyte
from cells.services.readings import Instruments, record_reading
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from config.refusals import RefusalError
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding
from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight
from lots.models import Lot, Movement, Party, Place
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take

DAY = 24.0
START = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC)


class Bench:
    """Does at the bench what the tests need done, each through its service."""

    def __init__(self, works: SimpleNamespace) -> None:
        self.works = works
        self.cell = self.new_cell("north", "north-cell")

    def act(self, hours: float = 0.0, **more: object) -> Act:
        """An act by the operator, `hours` from the start; two weeks back from the clock's day."""
        moment = START - dt.timedelta(days=20) + dt.timedelta(hours=hours)
        return Act(who=self.works.operator, occurred_at=moment, **more)  # type: ignore[arg-type]

    def new_cell(self, code: str, place: str, **more: object) -> Cell:
        values: dict[str, object] = {
            "code": code,
            "name": code.title(),
            "place": self.works.places[place],
            "bath_volume_ul": 12_000_000,
            "copper_limit_g_per_l": Decimal(60),
            "silver_min_g_per_l": Decimal(30),
            "current_limit_a": Decimal(60),
            "fuse_rating_a": Decimal(50),
        }
        return Cell.objects.create(**(values | more))

    def weight(self, grams: str) -> Weight:
        return Weight(
            gross_ug=int(Decimal(grams) * 1_000_000), tare_ug=0, balance=self.works.balance
        )

    def assay(self, basis: str = "ppt", u: str = "0.2", **findings: str) -> AssayReport:
        return AssayReport(
            method="icp_oes",
            laboratory=self.works.laboratory,
            basis=basis,
            findings={
                metal: Finding(Decimal(value), Decimal(u)) for metal, value in findings.items()
            },
        )

    def granules(
        self, owner: Party | None = None, grams: str = "1500", hours: float = 0, **ppt: str
    ) -> Lot:
        owner = owner or self.works.house
        declared = ppt or {"Ag": "925", "Cu": "70", "Au": "2", "Pd": "1"}
        return receive_lot(
            receipt=Receipt(
                party=owner,
                owner=owner,
                form=Lot.Form.GRANULES,
                place=self.works.places["feed-shelf"],
                weight=self.weight(grams),
                declared={metal: Decimal(value) for metal, value in declared.items()},
            ),
            act=self.act(hours),
        )

    def electrolyte(
        self, silver: str = "60", copper: str = "20", litres: str = "12", hours: float = 0
    ) -> ElectrolyteBatch:
        return open_electrolyte(
            electrolyte=ElectrolyteInUse(
                place=self.works.places["carboys"],
                measurement=ElectrolyteMeasurement(
                    volume=Volume(int(Decimal(litres) * 1_000_000), 20_000),
                    assay=self.assay("g_per_l", Ag=silver, Cu=copper),
                ),
            ),
            act=self.act(hours),
        )

    def charged(self, hours: float = 1, **more: object) -> CellRun:
        return charge_run(charge=self.charge(**more), act=self.act(hours))

    def charge(self, **more: object) -> Charge:
        values: dict[str, object] = {"cell": self.cell}
        if "electrolyte" not in more:
            values["electrolyte"] = self.electrolyte()
        if "takes" not in more:
            values["takes"] = [Take(self.granules())]
        return Charge(**(values | more))  # type: ignore[arg-type]

    def stopped(self, run: CellRun | None = None, amperes: str = "40", hours: float = 2) -> CellRun:
        """A run that passed ten hours of a steady current from `hours` on and was stopped."""
        run = run or self.charged()
        run = start_run(run=run, act=self.act(hours), first=Instruments(Decimal(amperes)))
        record_reading(run=run, instruments=Instruments(Decimal(amperes)), act=self.act(hours + 5))
        return stop_run(run=run, act=self.act(hours + 10), last=Instruments(Decimal(amperes)))

    def crystal(self, grams: str = "1500", **more: object) -> Crystal:
        values: dict[str, object] = {
            "weight": self.weight(grams),
            "place": self.works.places["fine-safe"],
            "rinse_count": 6,
            "chloride_clear": True,
            "dry": True,
        }
        if "assay" not in more:
            values["declared"] = {"Ag": Decimal("999")}
        return Crystal(**(values | more))  # type: ignore[arg-type]


@pytest.fixture
def bench(works: SimpleNamespace) -> Bench:
    return Bench(works)


@pytest.fixture
def unchanged() -> Callable[[], object]:
    """A snapshot of every table that a refusal must leave as it was."""

    def snapshot() -> object:
        from django.apps import apps  # noqa: PLC0415

        return {
            model._meta.label: list(model._default_manager.order_by("pk").values())
            for app in ("lots", "cells")
            for model in apps.get_app_config(app).get_models()
        }

    return snapshot


def cannot_be(code: str, field: str, service: Callable[..., object], **arguments: object) -> None:
    """Asserts that the service refuses with code and field, and writes nothing."""
    before = Movement.objects.count(), Lot.objects.count(), Place.objects.count()
    with pytest.raises(RefusalError) as caught:
        service(**arguments)
    assert (caught.value.code, caught.value.field) == (code, field)
    assert before == (Movement.objects.count(), Lot.objects.count(), Place.objects.count())
