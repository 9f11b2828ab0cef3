"""Gives a new electrolyte its lot and its row, and turns what was measured into contents."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Final

from django.db.models import Q, QuerySet

from cells.models import Cell, CellRun, ElectrolyteBatch, ElectrolyteReading
from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, On
from lots.ledger.drafts import ClaimLine, Line, MaterialLine
from lots.ledger.posting import house
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, keep_assay
from lots.measurements.outputs import Content, Volume, contents_by_concentration, keep_volume
from lots.models import Assay, Lot, Movement, Place, VolumeReading
from lots.services.lot_register import register_lot
from lots.services.supplies import supply_lines
from lots.services.taking import Take, commingled_claims, take
from lots.texts import DESCRIPTION_MAX, checked_text
from lots.units import parse_decimal

FREE_ACID_G_PER_L_MAX: Final = 1000
ON_ELECTROLYTE: Final = On(
    ElectrolyteBatch,
    "electrolytes/<str:code>",
    "batch",
    related=("lot", "cell"),
    section="cells",
    template="cells/electrolyte_step.html",
    page="lot",
    page_of="lot.code",
    also=("electrolyte",),
)
# A solution's assay as the bench's forms take it.
ASSAYED_IN_G_PER_L: Final = {
    "assay.side": Assay.Side.HOUSE,
    "assay.basis": Assay.Basis.CONCENTRATION,
}
# The forms of lots offered where metal is dissolved in an electrolyte.
DISSOLVED_FORMS: Final = (Lot.Form.FINE_CRYSTAL, Lot.Form.SOLUTION, Lot.Form.CEMENT_SILVER)


def at_hand() -> QuerySet[ElectrolyteBatch]:
    return ElectrolyteBatch.objects.filter(lot__state=Lot.State.AVAILABLE).select_related("lot")


def _acid(label: str) -> Asks:
    return Asks(label, at_least=0, at_most=FREE_ACID_G_PER_L_MAX, digits=10, decimals=4)


@dataclass(frozen=True)
class ElectrolyteMeasurement:
    """What was measured: any of volume, assay in grams per litre, free nitric acid."""

    volume: Volume | None = None
    assay: AssayReport | None = None
    free_acid_g_per_l: Annotated[Decimal | None, _acid("Free nitric acid, g/L")] = None
    free_acid_u_g_per_l: Annotated[Decimal | None, _acid("Its standard uncertainty, g/L")] = None


@dataclass(frozen=True)
class Measured:
    """The facts kept, and what they say the electrolyte holds."""

    reading: VolumeReading | None
    assay: Assay | None
    contents: Sequence[Content]


def register_electrolyte(
    place: Place, cell: Cell | None, content: str, act: Act, *, use_number: int, description: str
) -> ElectrolyteBatch:
    """A new electrolyte of the house, standing in a cell or at a place."""
    description = checked_text(description, field="description", limit=DESCRIPTION_MAX)
    lot = register_lot(
        form=Lot.Form.ELECTROLYTE,
        owner=house(),
        place=cell.place if cell is not None else place,
        content=content,
        act=act,
        description=description,
    )
    return ElectrolyteBatch.objects.create(lot=lot, cell=cell, use_number=use_number)


@dataclass(frozen=True)
class Dissolved:
    """What goes into a solution, as lines of a draft; `volume_ul` of lots that were solutions."""

    lines: list[Line]
    claims: list[ClaimLine]
    materials: list[MaterialLine]
    volume_ul: int = 0


def dissolve(
    lot: Lot, takes: Sequence[Take], supplies_ug: Mapping[str, int], act: Act
) -> Dissolved:
    """Portions of lots and metal from supplies into `lot`; refuses as `take` and `supply_lines`."""
    lines = supply_lines(lot, supplies_ug)
    if not takes:
        return Dissolved(lines, [], [])
    taken = take(takes, act)
    into = [Line(metal, mass_ug, lot=lot) for metal, mass_ug in taken.metals.items()]
    return Dissolved(
        [*lines, *taken.lines, *into],
        commingled_claims(taken),
        list(taken.materials),
        taken.volume_ul,
    )


def current_batch(batch: ElectrolyteBatch) -> ElectrolyteBatch:
    """The electrolyte as it stands under the ledger's lock."""
    return ElectrolyteBatch.objects.select_related("lot__owner", "lot__place").get(pk=batch.pk)


def run_at(batch: ElectrolyteBatch, moment: dt.datetime) -> CellRun | None:
    """The run the electrolyte was in at `moment`, from charge to closing."""
    return (
        CellRun.objects.filter(
            Q(closed_at__isnull=True) | Q(closed_at__gt=moment),
            electrolyte=batch,
            charged_at__lte=moment,
        )
        .exclude(state=CellRun.State.WITHDRAWN)
        .order_by("-charged_at", "-id")
        .first()
    )


def is_changed(run: CellRun, moment: dt.datetime) -> bool:
    """Whether at `moment` the run had changed its electrolyte without the book following yet."""
    harvested = run.harvested_at is not None and run.harvested_at <= moment
    return run.started_at is not None and run.started_at <= moment and not harvested


def refuse_if_measured_since(movement: Movement, lot: Lot) -> None:
    """Refuses to reverse what a later measurement of the electrolyte rests on.

    Raises ConflictError `later_steps_stand`, naming the movement to reverse first.
    """
    later = (
        Movement.objects.filter(
            Q(entries__lot=lot) | Q(material_entries__lot=lot),
            kind__in=(Movement.Kind.ELECTROLYTE_STATE, Movement.Kind.RUN_CLOSE),
            sequence__gt=movement.sequence,
            reversed_by__isnull=True,
        )
        .order_by("-sequence")
        .first()
    )
    if later is not None:
        raise refuse(
            "later_steps_stand:electrolytes",
            field="movement",
            value=movement.sequence,
            lot=lot.code,
            later=later,
            later_2=later.sequence,
        )


def check_measurement(measured: ElectrolyteMeasurement) -> None:
    """Refuses a measurement of nothing (`nothing_measured`), another basis, or acid out of range.

    Raises InvalidError `basis_without_quantity` for an assay in parts per thousand.
    """
    if not (measured.volume or measured.assay or measured.free_acid_g_per_l is not None):
        raise refuse("nothing_measured", field="measurement")
    if measured.assay is not None and measured.assay.basis != Assay.Basis.CONCENTRATION:
        raise refuse("basis_without_quantity", field="assay.basis", value=measured.assay.basis)
    for name in ("free_acid_g_per_l", "free_acid_u_g_per_l"):
        value = getattr(measured, name)
        if value is not None:
            most = Decimal(FREE_ACID_G_PER_L_MAX)
            parse_decimal(value, field=name, minimum=Decimal(0), maximum=most, decimals_max=4)


def keep_measured(lot: Lot, measured: ElectrolyteMeasurement, volume_ul: int, act: Act) -> Measured:
    """Keeps the volume and assay as facts of the lot; without a volume the book's is used."""
    reading = keep_volume(lot, measured.volume, act) if measured.volume else None
    if measured.assay is None:
        return Measured(reading, None, [])
    assay = keep_assay(lot, measured.assay, act)
    whole_ul = reading.volume_ul if reading else volume_ul
    if not whole_ul:
        raise refuse("basis_without_quantity:electrolytes", field="volume")
    spread_ul = reading.standard_uncertainty_ul if reading else 0
    return Measured(reading, assay, contents_by_concentration(whole_ul, spread_ul, assay, reading))


def keep_reading(
    batch: ElectrolyteBatch,
    measurement: ElectrolyteMeasurement,
    measured: Measured,
    movement: Movement | None,
    act: Act,
) -> ElectrolyteReading:
    """The whole measurement as one fact of the electrolyte."""
    return ElectrolyteReading.objects.create(
        batch=batch,
        taken_at=act.moment,
        recorded_at=clock.now(),
        taken_by_id=act.who.pk,
        volume=measured.reading,
        assay=measured.assay,
        free_acid_g_per_l=measurement.free_acid_g_per_l,
        free_acid_u_g_per_l=measurement.free_acid_u_g_per_l,
        movement=movement,
        note=act.note,
    )
