"""A run begins: portions of lots go into the basket, and an electrolyte into the cell."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import hypot
from typing import Annotated, Final

from django.db.models import F

from cells.models import CHARGED_FORMS, UNFINISHED, Cell, CellRun, ElectrolyteBatch, RunMovement
from cells.queries.content_uncertainty import relative_uncertainties
from cells.queries.likely import charge_held
from cells.services.cell_warnings import look_again
from cells.services.electrolytes import at_hand
from cells.services.run_steps import attach, follow, refuse_if_later
from config.refusals import refuse
from lots.declaration.event import Asks, Event, On
from lots.ledger.drafts import Draft, StandingLine
from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.posting import house, post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.models import Entry, Lot, MaterialEntry, Movement
from lots.services.lot_register import next_code, register_lot
from lots.services.taking import (
    ALL_OF_A_LOT,
    Take,
    Taken,
    check_at_hand,
    commingled_claims,
    into,
    take,
)
from lots.texts import REASON_MAX, checked_reason


@dataclass(frozen=True)
class Charge:
    """What goes into which cell with which electrolyte.

    `acknowledge_copper`, with `copper_reason`, accepts an electrolyte whose copper is above the
    cell's limit.
    """

    cell: Cell
    electrolyte: Annotated[ElectrolyteBatch, None, Asks(among=at_hand)]
    takes: Annotated[Sequence[Take], Asks("Lots that go into the basket", ALL_OF_A_LOT)]
    acknowledge_copper: Annotated[
        bool, Asks("Charge although the electrolyte's copper is above the cell's limit")
    ] = False
    copper_reason: Annotated[str, Asks("Why, if so", at_most=REASON_MAX)] = ""


@recorded_once
def charge_run(*, charge: Charge, act: Act) -> CellRun:
    """Charges a cell. Customers' metal joins the works' pool and they gain claims of the same mass.

    Raises ConflictError `cell_busy`, `cell_not_in_use`, `electrolyte_in_use`, `electrolyte_empty`,
    `lot_in_another_cell`, `copper_above_limit`, or what `take` raises; InvalidError
    `form_not_charged`, `no_silver`, and what `checked_reason` raises.
    """
    cell = Cell.objects.select_related("place").get(pk=charge.cell.pk)
    batch = ElectrolyteBatch.objects.select_related("lot__owner").get(pk=charge.electrolyte.pk)
    takes = _fresh(charge.takes)
    _check_free(cell, batch)
    bath = holding(batch.lot, AsOf(act.moment))
    acknowledged = _check_copper(charge, cell, bath)
    _check_lots(takes, cell)
    taken = take(takes, act, field="charge")
    if not taken.metals.get("Ag"):
        raise refuse("no_silver", field="charge")
    code = next_code("RN", act.moment.year)
    lot = register_lot(
        form=Lot.Form.ANODE_CHARGE,
        owner=house(),
        place=cell.place,
        content=Lot.Content.BY_PROPORTION,
        act=act,
        description=f"Charge of run {code}",
        state=Lot.State.IN_PROCESS,
    )
    movement = post(_draft(lot, cell, batch, taken), act)
    ElectrolyteBatch.objects.filter(cell=cell).exclude(pk=batch.pk).update(
        cell=None, version=F("version") + 1
    )
    batch.cell = cell
    batch.version += 1
    batch.save(update_fields=["cell", "version"])
    run = CellRun.objects.create(
        code=code,
        cell=cell,
        electrolyte=batch,
        use_number=batch.use_number,
        charge_lot=lot,
        charged_at=act.moment,
        charged_by_id=act.who.pk,
        copper_acknowledged_by_id=act.who.pk if acknowledged else None,
        copper_acknowledgement=acknowledged,
        note=act.note,
    )
    attach(run, movement, lot)
    look_again(run, act.moment)
    return run


CHARGE: Final = Event(
    charge_run,
    on=On(
        Cell,
        "cells/<str:code>",
        "cell",
        related=("place",),
        section="cells",
        template="cells/cell_step.html",
        capitals=False,
    ),
    at="charge",
    name="charge",
    about="Charge a cell: portions of lots go into its basket, and customers gain their claims.",
    title="Charge a cell",
    lead="Customers' metal joins the works' pool here, and each gains a claim of the same mass.",
    button="Charge it",
    done="Charged. Switch the current on when the basket hangs.",
    cautions=("charge",),
    flat=("charge",),
    asked_as={"charge": "takes"},
    offered_forms=tuple(CHARGED_FORMS),
    lands="run code",
    likely=charge_held,
)


@undo_for(Movement.Kind.CHARGE)
def withdraw_charge(movement: Movement) -> None:
    """Reversing a charge withdraws its run, as long as no current has dissolved any of it."""
    kinds = Movement.Kind
    run = refuse_if_later(movement, (kinds.REMNANT, kinds.SLIMES, kinds.HARVEST))
    count = run.coulomb_count
    counted = count is not None and count.ampere_hours + count.gaps_ah > 0
    flowed = run.readings.filter(current_a__gt=0, withdrawal__isnull=True).exists()
    if counted or (run.state == CellRun.State.RUNNING and flowed):
        raise refuse("run_has_run", field="movement", value=movement.sequence, run=run.code)
    follow(run, state=CellRun.State.WITHDRAWN)


def _fresh(takes: Sequence[Take]) -> list[Take]:
    """The takes with their lots as they stand under the lock."""
    lots = Lot.objects.in_bulk([each.lot.pk for each in takes])
    return [replace(each, lot=lots[each.lot.pk]) for each in takes]


def _check_free(cell: Cell, batch: ElectrolyteBatch) -> None:
    if not cell.is_active:
        raise refuse("cell_not_in_use", field="cell", value=cell.code, cell=cell)
    busy = CellRun.objects.filter(cell=cell, state__in=UNFINISHED).first()
    if busy is not None:
        raise refuse("cell_busy", field="cell", value=cell.code, cell=cell, busy=busy.code)
    other = CellRun.objects.filter(electrolyte=batch, state__in=UNFINISHED).first()
    if other is not None:
        raise refuse(
            "electrolyte_in_use",
            field="electrolyte",
            value=batch.lot.code,
            batch=batch,
            other=other.code,
        )
    check_at_hand(batch.lot, field="electrolyte")


def _check_copper(charge: Charge, cell: Cell, bath: Holding) -> str:
    """The reason given for copper above the limit; empty when there was nothing to acknowledge."""
    if not bath.volume_ul:
        raise refuse(
            "electrolyte_empty",
            field="electrolyte",
            value=charge.electrolyte.lot.code,
            electrolyte=charge.electrolyte,
        )
    # Micrograms in a microlitre are grams in a litre.
    copper_g_per_l = Decimal(bath.metals.get("Cu", 0)) / bath.volume_ul
    if copper_g_per_l <= cell.copper_limit_g_per_l:
        return ""
    if not charge.acknowledge_copper:
        raise refuse(
            "copper_above_limit:charge",
            field="electrolyte",
            value=f"{copper_g_per_l:.2f} g/L",
            copper_g_per_l=copper_g_per_l,
            cell=cell,
            copper_limit_g_per_l=cell.copper_limit_g_per_l,
        )
    return checked_reason(charge.copper_reason, field="copper_reason")


def _check_lots(takes: Sequence[Take], cell: Cell) -> None:
    for index, each in enumerate(takes):
        if each.lot.form not in CHARGED_FORMS:
            raise refuse(
                "form_not_charged",
                field=f"charge.{index}",
                value=each.lot.code,
                each=each.lot.get_form_display().lower(),
            )
    charges = RunMovement.objects.filter(
        run__state__in=UNFINISHED, movement__kind=Movement.Kind.CHARGE
    ).exclude(run__cell=cell)
    elsewhere = (
        MaterialEntry.objects.filter(
            lot__in=[each.lot for each in takes],
            mass_ug__lt=0,
            movement__in=charges.values("movement"),
        )
        .select_related("lot")
        .order_by("id")
        .first()
    )
    if elsewhere is not None:
        run = CellRun.objects.select_related("cell").get(
            run_movements__movement=elsewhere.movement_id
        )
        index = [each.lot.pk for each in takes].index(elsewhere.lot_id)
        raise refuse(
            "lot_in_another_cell",
            field=f"charge.{index}",
            value=elsewhere.lot.code,
            cell=run.cell,
            run=run.code,
        )


def _draft(lot: Lot, cell: Cell, batch: ElectrolyteBatch, taken: Taken) -> Draft:
    lines, materials = into(lot, lot.owner, taken)
    unsure = _uncertainty_ug(taken)
    standings = [StandingLine(lot, cell.place, lot.owner)]
    if batch.lot.place_id != cell.place_id:
        standings.append(StandingLine(batch.lot, cell.place, batch.lot.owner))
    return Draft(
        kind=Movement.Kind.CHARGE,
        stage=Movement.Stage.CELL,
        lines=[
            *taken.lines,
            *(replace(line, standard_uncertainty_ug=unsure[line.metal]) for line in lines),
        ],
        claims=commingled_claims(taken),
        materials=[*taken.materials, *materials],
        standings=standings,
    )


def _uncertainty_ug(taken: Taken) -> dict[str, int]:
    """Of each metal charged: every portion has its lot's relative uncertainty."""
    lots = {line.lot.pk: line.lot for line in taken.lines if line.lot is not None}
    relative = relative_uncertainties(lots.values())
    parts: dict[str, list[float]] = defaultdict(list)
    for line in taken.lines:
        assert line.lot is not None
        assert line.basis == Entry.Basis.PROPORTION
        parts[line.metal].append(line.mass_ug * relative[line.lot.pk].get(line.metal, 0.0))
    return {metal: round(hypot(*spreads)) for metal, spreads in parts.items()}
