"""A step of the works outside the cell: inputs into a vessel, outputs out of it, the rest told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated, Final

from django.db.models import F, Max, Q, QuerySet

from config.refusals import refuse
from lots.declaration.common import Supplies
from lots.declaration.event import Asks, Event, Menu, On
from lots.ledger import accounts
from lots.ledger.drafts import Draft, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, holding
from lots.ledger.posting import house, post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.outputs import Output, check_output, content_of, measure
from lots.measurements.surplus import draw, mark_surpluses, rest_to_difference
from lots.models import (
    Lot,
    Movement,
    Place,
    ProcessBatch,
)
from lots.queries.likely_lots import batch_fed_held, output_held
from lots.services.lot_register import next_code, register_lot
from lots.services.supplies import supply_lines
from lots.services.taking import Take, commingled_claims, into, take

_KIND: Final = ProcessBatch.Kind
_STAGE: Final[dict[str, str]] = {
    _KIND.PARTING: Movement.Stage.PARTING,
    _KIND.DISSOLUTION: Movement.Stage.PARTING,
    _KIND.CEMENTATION: Movement.Stage.CEMENTATION,
    _KIND.SLIMES_RECOVERY: Movement.Stage.SLIMES_RECOVERY,
    _KIND.GRANULATING: Movement.Stage.RECEIPT,
    _KIND.MELT: Movement.Stage.RECEIPT,
    _KIND.FINE_MELT: Movement.Stage.FINE_MELT,
    _KIND.OTHER: Movement.Stage.STORE,
}
_DIFFERENCE: Final[dict[str, str]] = {
    _KIND.SLIMES_RECOVERY: accounts.RECOVERY_DIFFERENCE,
    _KIND.GRANULATING: accounts.MELT_DIFFERENCE,
    _KIND.MELT: accounts.MELT_DIFFERENCE,
    _KIND.FINE_MELT: accounts.MELT_DIFFERENCE,
}


@dataclass(frozen=True)
class Inputs:
    """Portions of lots, and metal from supplies such as copper for cementation."""

    takes: Annotated[
        Sequence[Take],
        Asks("Lots that go in", "Leave the second box empty to take all of a lot.", "inputs"),
    ]
    supplies_ug: Supplies = field(default_factory=dict)


def stage_of(batch: ProcessBatch) -> str:
    return _STAGE[batch.kind]


def difference_account_of(batch: ProcessBatch) -> str:
    return _DIFFERENCE.get(batch.kind, accounts.PROCESS_DIFFERENCE)


# Which safety texts stand beside which kind of process.
BATCH_CAUTIONS: Final[dict[str, tuple[str, ...]]] = {
    ProcessBatch.Kind.PARTING: ("parting",),
    ProcessBatch.Kind.DISSOLUTION: ("dissolution",),
    ProcessBatch.Kind.CEMENTATION: ("cementation",),
    ProcessBatch.Kind.SLIMES_RECOVERY: ("recovery",),
    ProcessBatch.Kind.GRANULATING: ("melt",),
    ProcessBatch.Kind.FINE_MELT: ("fine_melt",),
    ProcessBatch.Kind.MELT: ("melt",),
    ProcessBatch.Kind.OTHER: ("waste",),
}
ON_BATCH: Final = On(
    ProcessBatch,
    "process-batches/<str:code>",
    "batch",
    related=("vessel__owner",),
    template="lots/batch_step.html",
    page="batch",
    cautions=lambda batch: BATCH_CAUTIONS[batch.kind],
)


@recorded_once
def start_batch(
    *,
    kind: Annotated[str, Asks("What is done", choices=ProcessBatch.Kind)],
    place: Annotated[Place, None, Asks("Where")],
    inputs: Inputs,
    act: Act,
    keep_apart: Annotated[
        bool,
        Asks("One customer's metal stays that customer's", "Else it joins the works' pool."),
    ] = True,
) -> ProcessBatch:
    """Begins a process: its inputs leave their lots and stand in the batch's vessel.

    One customer's metal stays that customer's own unless `keep_apart` is False; several owners'
    metal joins the house's pool, and each customer's claim grows by what they gave.
    """
    return begin_batch(kind=kind, place=place, inputs=inputs, act=act, keep_apart=keep_apart)


START: Final = Event(
    start_batch,
    at="process-batches/start",
    name="batch-start",
    about="Start a process batch: its inputs leave their lots and stand in its vessel.",
    title="Start a process",
    lead="Its inputs leave their lots and stand in the batch's vessel until it is closed.",
    button="Start it",
    done="Started.",
    flat=("inputs",),
    order=("kind", "place", "inputs", "supplies", "keep_apart"),
    offered_forms=(),
    page_at="processes/start",
    lands="batch code",
    menu=Menu("BENCH", "Start a process", 40, group="Processes", hint="Part, dissolve, melt"),
    likely=batch_fed_held,
)


def begin_batch(
    *, kind: str, place: Place, inputs: Inputs, act: Act, keep_apart: bool = True
) -> ProcessBatch:
    """`start_batch` for services that begin a batch as part of what they do."""
    if kind not in _STAGE:
        raise refuse(
            "unknown_choice:process_batches", field="kind", value=kind, stage=", ".join(_STAGE)
        )
    taken = take(inputs.takes, act)
    owner = taken.sole_owner() if keep_apart else None
    vessel = register_lot(
        form=Lot.Form.IN_PROCESS,
        owner=owner or house(),
        place=place,
        content=Lot.Content.BY_PROPORTION,
        act=act,
        description=ProcessBatch.Kind(kind).label,
        state=Lot.State.IN_PROCESS,
    )
    batch = ProcessBatch.objects.create(
        code=next_code("PB", act.moment.year),
        kind=kind,
        vessel=vessel,
        started_at=act.moment,
        started_by_id=act.who.pk,
        note=act.note,
    )
    _post_inputs(batch, inputs, act, [StandingLine(vessel, place, vessel.owner)])
    return batch


@recorded_once
def add_inputs(*, batch: ProcessBatch, inputs: Inputs, act: Act) -> Movement:
    """Adds more to an open batch. Metal of another owner joins only a batch of the house's pool."""
    _check_open(batch)
    return _post_inputs(batch, inputs, act, [])


ADD: Final = Event(
    add_inputs,
    on=ON_BATCH,
    at="inputs",
    name="batch-add",
    about="Add more to an open batch.",
    title="Add to the batch",
    button="Add it",
    done="Added.",
    flat=("inputs",),
    offered_forms=(),
    page_at="/processes/<str:code>/add",
    likely=batch_fed_held,
)


@recorded_once
def record_output(*, batch: ProcessBatch, output: Output, act: Act) -> Lot:
    """Takes one output out of an open batch, as a new lot of the vessel's owner.

    When it measures more than the vessel holds by the book, the rest is drawn from the batch's
    difference account and marked (`Excess`).
    """
    _check_open(batch)
    check_output(output)
    vessel = Lot.objects.select_related("owner").get(pk=batch.vessel_id)
    lot = register_lot(
        form=output.form,
        owner=vessel.owner,
        place=output.place,
        content=content_of(output),
        act=act,
        description=output.description,
        received_from=vessel.received_from,
    )
    contents, material = measure(lot, output, act)
    account = difference_account_of(batch)
    lines, surpluses = draw(vessel, lot, contents, account, act)
    movement = post(
        Draft(
            kind=Movement.Kind.BATCH_OUTPUT,
            stage=stage_of(batch),
            lines=lines,
            materials=[material, *_from_vessel(vessel, material, act)],
            standings=[StandingLine(lot, output.place, vessel.owner)],
            refers_to=_start_of(batch),
        ),
        act,
    )
    mark_surpluses(movement, lot, account, surpluses)
    return lot


TAKE_OUT: Final = Event(
    record_output,
    on=ON_BATCH,
    at="outputs",
    name="batch-output",
    about="Take one output out of an open batch as a new lot.",
    title="Take something out",
    lead="Weighed or measured by volume; its content assayed, taken as given, or estimated.",
    button="Take it out",
    done="Taken out. Print its label.",
    order=("form", "gross", "tare", "balance", "volume", "place", "declared", "estimated"),
    page_at="/processes/<str:code>/take-out",
    likely=output_held,
)


def outputs_of(batch: ProcessBatch) -> QuerySet[Movement]:
    """The outputs of a batch that stand, in the order recorded.

    They refer to its start: one measured wholly above the book draws on the difference account
    alone, and would otherwise not be known for the batch's. Older ones are known by their vessel.
    """
    drawn = Q(entries__lot=batch.vessel_id) | Q(material_entries__lot=batch.vessel_id)
    outputs = Movement.objects.filter(kind=Movement.Kind.BATCH_OUTPUT, reversed_by__isnull=True)
    of_batch = outputs.filter(drawn | Q(refers_to=_start_of(batch)))
    return of_batch.order_by("sequence").distinct()


@recorded_once
def close_batch(*, batch: ProcessBatch, act: Act) -> ProcessBatch:
    """Ends a batch: what is left in the vessel by the book goes to the difference account.

    Refuses a moment before the batch's last step (`out_of_order`), whose metal would stay behind.
    """
    return end_batch(batch, act)


CLOSE: Final = Event(
    close_batch,
    on=ON_BATCH,
    at="close",
    name="batch-close",
    about="Close a batch: what its vessel still holds by the book becomes its difference.",
    title="Close the batch",
    lead="What the vessel still holds by the book becomes the batch's difference: positive is "
    "metal that went in and was not found again.",
    button="Close it",
    done="Closed.",
    page_at="/processes/<str:code>/close",
    lands="batch code",
)


def end_batch(batch: ProcessBatch, act: Act) -> ProcessBatch:
    """`close_batch` for services that close a batch as part of what they do."""
    _check_open(batch)
    vessel = Lot.objects.get(pk=batch.vessel_id)
    _check_after_last_step(vessel, act)
    left = holding(vessel, AsOf(act.moment))
    movement = post(
        Draft(
            kind=Movement.Kind.BATCH_CLOSE,
            stage=stage_of(batch),
            lines=rest_to_difference(vessel, difference_account_of(batch), act),
            materials=[MaterialLine(vessel, mass_ug=-left.mass_ug, volume_ul=-left.volume_ul)],
        ),
        act,
    )
    batch.state = ProcessBatch.State.CLOSED
    batch.closed_at = act.moment
    batch.closing_movement = movement
    batch.version += 1
    batch.save(update_fields=["state", "closed_at", "closing_movement", "version"])
    Lot.objects.filter(pk=vessel.pk).update(state=Lot.State.SPENT, version=F("version") + 1)
    return batch


@undo_for(Movement.Kind.BATCH_CLOSE)
def reopen_batch(movement: Movement) -> None:
    """Reversing the closing opens the batch again."""
    batch = ProcessBatch.objects.get(closing_movement=movement)
    batch.state = ProcessBatch.State.OPEN
    batch.closed_at = None
    batch.closing_movement = None
    batch.version += 1
    batch.save(update_fields=["state", "closed_at", "closing_movement", "version"])
    Lot.objects.filter(pk=batch.vessel_id).update(
        state=Lot.State.IN_PROCESS, version=F("version") + 1
    )


@undo_for(Movement.Kind.BATCH_INPUT)
@undo_for(Movement.Kind.BATCH_OUTPUT)
def check_closing_reversed(movement: Movement) -> None:
    """Refuses to take back a step of a closed batch: the closing rests on it.

    An output that drew nothing from the vessel, only from the difference, is no such step.
    """
    batch = (
        ProcessBatch.objects.filter(
            Q(vessel__entries__movement=movement) | Q(vessel__material_entries__movement=movement)
        )
        .select_related("closing_movement")
        .first()
    )
    if batch is not None and batch.closing_movement is not None:
        raise refuse(
            "later_steps_stand:process_batches",
            field="movement",
            value=movement.sequence,
            batch=batch.code,
            batch_2=batch.closing_movement.sequence,
        )


def _post_inputs(
    batch: ProcessBatch, inputs: Inputs, act: Act, standings: Sequence[StandingLine]
) -> Movement:
    vessel = Lot.objects.select_related("owner").get(pk=batch.vessel_id)
    taken = take(inputs.takes, act)
    if not vessel.owner.is_house and set(taken.owners) != {vessel.owner_id}:
        raise refuse(
            "kept_apart",
            field="inputs",
            value=vessel.owner.code,
            batch=batch.code,
            owner=vessel.owner,
        )
    lines, materials = into(vessel, vessel.owner, taken)
    return post(
        Draft(
            kind=Movement.Kind.BATCH_INPUT,
            stage=stage_of(batch),
            lines=[*taken.lines, *lines, *supply_lines(vessel, inputs.supplies_ug)],
            claims=commingled_claims(taken) if vessel.owner.is_house else [],
            materials=[*taken.materials, *materials],
            standings=standings,
        ),
        act,
    )


def _start_of(batch: ProcessBatch) -> Movement:
    """The movement that its vessel began with."""
    return Movement.objects.filter(standings__lot=batch.vessel_id).earliest("sequence")


def _check_open(batch: ProcessBatch) -> None:
    batch.refresh_from_db()
    if batch.state != ProcessBatch.State.OPEN:
        raise refuse("batch_closed", field="batch", value=batch.code)


def _check_after_last_step(vessel: Lot, act: Act) -> None:
    last = Movement.objects.filter(
        Q(entries__lot=vessel) | Q(material_entries__lot=vessel)
    ).aggregate(at=Max("occurred_at"))["at"]
    if last is not None and act.moment < last:
        raise refuse(
            "out_of_order:process_batches",
            field="occurred_at",
            value=act.moment.isoformat(),
            last=last,
        )


def _from_vessel(vessel: Lot, material: MaterialLine, act: Act) -> list[MaterialLine]:
    """The output's own mass and volume leave the vessel as far as it has them by the book."""
    held = holding(vessel, AsOf(act.moment))
    return [
        MaterialLine(
            vessel,
            mass_ug=-min(material.mass_ug, held.mass_ug),
            volume_ul=-min(material.volume_ul, held.volume_ul),
        )
    ]
