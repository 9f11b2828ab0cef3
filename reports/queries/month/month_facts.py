"""The rows of one month that its network is read from, fetched in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field

from django.db.models import Q

from cells.models import CellRun, ElectrolyteReading, RunMovement, SlimesBag
from cells.queries.standing_movements import standing
from lots.ledger.holdings import Holding, balances, holdings
from lots.measurements.ruling_assays import rulings_in_force
from lots.models import (
    AssayResult,
    Entry,
    Lot,
    MaterialEntry,
    Movement,
    ProcessBatch,
    VolumeReading,
    Weighing,
)
from reports.models import CountLine
from reports.queries.month.periods import Period

_SINGLE = (Weighing.Purpose.CHECK, Weighing.Purpose.COUNT, Weighing.Purpose.SHIPMENT)


@dataclass
class MonthFacts:
    """Rows by what they hang on; numbers are primary keys.

    `single_weighings` were taken by themselves, in order; `assays_of` a lot are those that count;
    `movement_of` a measurement is the movement that rests on it; `closings` are batches by the
    movement that closed them.
    """

    movements: list[Movement]
    opening: dict[int, Holding]
    entries: dict[int, list[Entry]] = field(default_factory=lambda: defaultdict(list))
    materials: dict[int, list[MaterialEntry]] = field(default_factory=lambda: defaultdict(list))
    lots: dict[int, Lot] = field(default_factory=dict)
    weighings: dict[int | None, Weighing] = field(default_factory=dict)
    single_weighings: list[Weighing] = field(default_factory=list)
    volumes: dict[int | None, VolumeReading] = field(default_factory=dict)
    results: dict[int, list[AssayResult]] = field(default_factory=lambda: defaultdict(list))
    assays_of: dict[int, list[int]] = field(default_factory=lambda: defaultdict(list))
    movement_of: dict[int, Movement] = field(default_factory=dict)
    readings: dict[int, ElectrolyteReading] = field(default_factory=dict)
    runs: dict[int, CellRun] = field(default_factory=dict)
    bags: dict[int, SlimesBag] = field(default_factory=dict)
    batches: dict[int, ProcessBatch] = field(default_factory=dict)
    closings: dict[int, ProcessBatch] = field(default_factory=dict)


def month_facts(period: Period, recorded: dt.datetime | None = None) -> MonthFacts:
    """Everything that stands of a month, by the books as recorded by `recorded`."""
    as_of = period.closing(recorded)
    movements = list(
        Movement.objects.filter(standing("", as_of), occurred_at__gte=period.starts_at).order_by(
            "occurred_at", "sequence"
        )
    )
    opening = period.opening(recorded)
    held = holdings(set(balances(opening).values_list("lot_id", flat=True)), opening)
    facts = MonthFacts(movements=movements, opening=held)
    _read_lines(facts)
    _read_measurements(facts, period, recorded)
    _read_assays(facts, recorded)
    _read_cell(facts)
    batches = ProcessBatch.objects.filter(vessel__in=facts.lots).select_related("vessel")
    facts.batches = {batch.vessel_id: batch for batch in batches}
    facts.closings = _closings(facts)
    return facts


def _read_lines(facts: MonthFacts) -> None:
    by_pk = {movement.pk: movement for movement in facts.movements}
    for entry in Entry.objects.filter(movement__in=by_pk).select_related("account").order_by("pk"):
        facts.entries[entry.movement_id].append(entry)
        if entry.quantity_by_id is not None:
            facts.movement_of.setdefault(entry.quantity_by_id, by_pk[entry.movement_id])
    for each in MaterialEntry.objects.filter(movement__in=by_pk).order_by("pk"):
        facts.materials[each.movement_id].append(each)
        if each.quantity_by_id is not None:
            facts.movement_of.setdefault(each.quantity_by_id, by_pk[each.movement_id])
    touched = {each.lot_id for rows in facts.entries.values() for each in rows if each.lot_id}
    touched |= {each.lot_id for rows in facts.materials.values() for each in rows}
    facts.lots = Lot.objects.in_bulk(touched | set(facts.opening))


def _closings(facts: MonthFacts) -> dict[int, ProcessBatch]:
    """By what the vessels gave up: a batch names its closing no more once that was reversed.

    Only one that left nothing in its vessel is known by the batch alone.
    """
    found = {
        batch.closing_movement_id: batch
        for batch in facts.batches.values()
        if batch.closing_movement_id is not None
    }
    for movement in facts.movements:
        if movement.kind == Movement.Kind.BATCH_CLOSE:
            lots = [each.lot_id for each in facts.entries[movement.pk] if each.lot_id]
            lots += [each.lot_id for each in facts.materials[movement.pk]]
            for vessel in facts.batches.keys() & set(lots):
                found[movement.pk] = facts.batches[vessel]
    return found


def _read_measurements(facts: MonthFacts, period: Period, recorded: dt.datetime | None) -> None:
    limit = Q() if recorded is None else Q(recorded_at__lte=recorded)
    weighings = list(
        Weighing.objects.filter(limit, lot__in=facts.lots, withdrawal__isnull=True)
        .filter(taken_at__lt=period.ends_at)
        .select_related("balance", "lot")
        .order_by("taken_at", "pk")
    )
    superseded = set(
        CountLine.objects.filter(
            recounted_by__isnull=False, measurement__in=[each.pk for each in weighings]
        ).values_list("measurement_id", flat=True)
    )
    facts.weighings = {each.pk: each for each in weighings}
    facts.single_weighings = [
        each
        for each in weighings
        if each.purpose in _SINGLE
        and each.taken_at >= period.starts_at
        and each.pk not in superseded
    ]
    volumes = VolumeReading.objects.filter(
        limit, lot__in=facts.lots, taken_at__lt=period.ends_at
    ).select_related("lot")
    facts.volumes = {each.pk: each for each in volumes.order_by("pk")}


def _read_assays(facts: MonthFacts, recorded: dt.datetime | None) -> None:
    limit = Q() if recorded is None else Q(assay__recorded_at__lte=recorded)
    results = (
        AssayResult.objects.filter(limit, assay__lot__in=facts.lots)
        .filter(assay__withdrawal__isnull=True)
        .select_related("assay__laboratory", "assay__lot")
        .order_by("assay_id", "pk")
    )
    for result in results:
        facts.results[result.assay_id].append(result)
    ruled: dict[int, int] = {}
    decided = Q() if recorded is None else Q(movement__recorded_at__lte=recorded)
    for ruling in rulings_in_force().filter(decided, lot__in=facts.lots):
        ruled.setdefault(ruling.lot_id, ruling.assay_id)
    for assay, rows in facts.results.items():
        lot = rows[0].assay.lot_id
        if ruled.get(lot, assay) == assay:
            facts.assays_of[lot].append(assay)


def _read_cell(facts: MonthFacts) -> None:
    numbers = [movement.pk for movement in facts.movements]
    for reading in ElectrolyteReading.objects.filter(movement__in=numbers):
        assert reading.movement_id is not None
        facts.readings[reading.movement_id] = reading
    steps = RunMovement.objects.filter(movement__in=numbers).select_related(
        "run__cell", "run__charge_lot", "run__electrolyte__lot", "run__coulomb_count"
    )
    facts.runs = {step.movement_id: step.run for step in steps}
    bags = (
        SlimesBag.objects.filter(lot__in=facts.lots)
        .select_related("run__charge_lot")
        .prefetch_related("estimates")
    )
    facts.bags = {bag.lot_id: bag for bag in bags}
