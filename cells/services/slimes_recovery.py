"""Waiting slimes bags are recovered together; what was found is set beside what was expected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt
from typing import Annotated, Final

from django.db.models import F, FloatField, Sum
from django.db.models.functions import Cast, Coalesce

from cells.models import RecoveryOutcome, SlimesBag, SlimesEstimate
from cells.services.run_steps import check_after
from config.refusals import refuse
from lots.declaration.event import Asks, Event, On
from lots.ledger.holdings import AsOf, holdings
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.metals import Metal
from lots.models import Entry, Lot, Movement, Place, ProcessBatch
from lots.services.process_batches import Inputs, begin_batch, end_batch, outputs_of
from lots.services.taking import Take
from lots.units import share_ug

_STATE = SlimesBag.State


@recorded_once
def group_bags(
    *,
    bags: Annotated[
        Sequence[SlimesBag],
        Asks(
            "Bags that go together",
            among=lambda: SlimesBag.objects.filter(state=_STATE.WAITING).select_related("lot"),
        ),
    ],
    place: Annotated[Place, None, Asks("Where it is done")],
    act: Act,
    supplies_ug: Annotated[
        Mapping[str, int] | None, Asks("Metal from supplies", "Such as copper, with its unit.")
    ] = None,
) -> ProcessBatch:
    """Begins the recovery of waiting bags: a process batch that holds what they hold by the book.

    A torn bag that holds nothing by the book goes along; what is found in it is over the book. The
    outputs are recorded with the process batch. Raises InvalidError `nothing_taken`,
    `taken_twice`; ConflictError `bag_not_waiting`, `lot_not_available`.
    """
    fresh = _waiting(bags, act)
    held = holdings([bag.lot for bag in fresh], AsOf(act.moment))
    batch = begin_batch(
        kind=ProcessBatch.Kind.SLIMES_RECOVERY,
        place=place,
        inputs=Inputs(
            takes=[Take(bag.lot) for bag in fresh if not held[bag.lot_id].is_empty],
            supplies_ug=supplies_ug or {},
        ),
        act=act,
    )
    _set_state(fresh, _STATE.IN_RECOVERY, batch)
    return batch


GROUP: Final = Event(
    group_bags,
    at="recoveries",
    page_at="slimes/recover",
    name="slimes-group",
    about="Begin the recovery of waiting bags together; its outputs are those of its process "
    "batch.",
    title="Begin a recovery",
    lead="The bags' metal leaves them for one process batch; its outputs are recorded there.",
    button="Begin it",
    done="The recovery is open. Record what comes out of it.",
    section="slimes",
    cautions=("recovery",),
    asked_as={"inputs": "bags"},
    lands="batch code",
)


@recorded_once
def finish_recovery(*, batch: ProcessBatch, act: Act) -> ProcessBatch:
    """Ends a recovery: per bag and metal, what was found beside what was estimated.

    What was found is shared out over the bags in proportion to what each held by the book, and what
    the book still holds goes to the recovery difference. Raises ConflictError `not_a_recovery`,
    `batch_closed`; InvalidError `nothing_recovered`.
    """
    batch = ProcessBatch.objects.get(pk=batch.pk)
    bags = list(SlimesBag.objects.filter(process_batch=batch).order_by("id"))
    if batch.kind != ProcessBatch.Kind.SLIMES_RECOVERY or not bags:
        raise refuse("not_a_recovery", field="batch", value=batch.code)
    recovered = _recovered(batch)
    if not recovered and batch.state == ProcessBatch.State.OPEN:
        raise refuse("nothing_recovered", field="batch", value=batch.code)
    batch = end_batch(batch, act)
    assert batch.closing_movement is not None
    _keep_outcomes(batch, batch.closing_movement, bags, recovered)
    _set_state(bags, _STATE.RECOVERED, batch)
    Lot.objects.filter(slimes_bag__in=bags, state=Lot.State.AVAILABLE).update(
        state=Lot.State.SPENT, version=F("version") + 1
    )
    return batch


FINISH: Final = Event(
    finish_recovery,
    on=On(
        ProcessBatch,
        "recoveries/<str:code>",
        "batch",
        related=("vessel__owner",),
        section="slimes",
        template="lots/batch_step.html",
    ),
    at="finish",
    page_at="/slimes/<str:code>/finish",
    name="slimes-finish",
    about="End a recovery: per bag and metal, what was found beside what was estimated.",
    title="Finish the recovery",
    lead="What was found is shared out over the bags and set beside their estimates; what the book "
    "still holds goes to the recovery difference.",
    button="Finish it",
    done="Finished. What was found now corrects the next bags' estimates.",
    cautions=("recovery",),
    lands="batch code",
)


@undo_for(Movement.Kind.BATCH_CLOSE)
def reopen_recovery(movement: Movement) -> None:
    """Reversing the closing puts the bags back into recovery; its outcomes count no more."""
    batch = ProcessBatch.objects.filter(recovery_outcomes__closing=movement).first()
    if batch is not None:
        _set_state(list(SlimesBag.objects.filter(process_batch=batch)), _STATE.IN_RECOVERY, batch)


@undo_for(Movement.Kind.BATCH_INPUT)
def send_bags_back(movement: Movement) -> None:
    """Reversing the start of a recovery lets its bags wait again."""
    batch = ProcessBatch.objects.filter(
        vessel__standings__movement=movement, kind=ProcessBatch.Kind.SLIMES_RECOVERY
    ).first()
    if batch is not None:
        _set_state(list(SlimesBag.objects.filter(process_batch=batch)), _STATE.WAITING, None)


@undo_for(Movement.Kind.BATCH_OUTPUT)
def check_recovery_open(movement: Movement) -> None:
    """Refuses to take back an output of a finished recovery, even one that its vessel never held.

    What was found is told by its outcomes.
    """
    outcome = (
        RecoveryOutcome.objects.filter(
            process_batch__vessel__standings__movement=movement.refers_to,
            closing__reversed_by__isnull=True,
        ).first()
        if movement.refers_to is not None
        else None
    )
    if outcome is not None:
        raise refuse(
            "later_steps_stand:slimes_recovery",
            field="movement",
            value=movement.sequence,
            outcome=outcome.process_batch.code,
            outcome_2=outcome.closing.sequence,
        )


def _waiting(bags: Sequence[SlimesBag], act: Act) -> list[SlimesBag]:
    if not bags:
        raise refuse("nothing_taken:slimes_recovery", field="bags")
    if len({bag.pk for bag in bags}) < len(bags):
        raise refuse("taken_twice", field="bags")
    by_id = SlimesBag.objects.select_related("lot").in_bulk([bag.pk for bag in bags])
    fresh = [by_id[bag.pk] for bag in bags]
    for index, bag in enumerate(fresh):
        if bag.state != _STATE.WAITING:
            raise refuse(
                "bag_not_waiting:slimes_recovery",
                field=f"bags.{index}",
                value=bag.lot.code,
                bag=bag,
                bag_2=bag.get_state_display().lower(),
            )
        check_after(act.moment, bag.bagged_at, f"bag {bag} was taken")
    return fresh


def _set_state(bags: Sequence[SlimesBag], state: str, batch: ProcessBatch | None) -> None:
    SlimesBag.objects.filter(pk__in=[bag.pk for bag in bags]).update(
        state=state, process_batch=batch, version=F("version") + 1
    )


def _recovered(batch: ProcessBatch) -> dict[str, tuple[int, float]]:
    """Micrograms of each metal in the batch's outputs that stand, with their uncertainty."""
    spread = Cast(F("standard_uncertainty_ug"), FloatField())
    rows = (
        Entry.objects.filter(
            movement__in=outputs_of(batch).values("pk"), lot__isnull=False, mass_ug__gt=0
        )
        .exclude(lot=batch.vessel_id)
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("mass_ug"), squares=Coalesce(Sum(spread * spread), 0.0))
    )
    return {metal: (total, sqrt(squares)) for metal, total, squares in rows}


def _keep_outcomes(
    batch: ProcessBatch,
    closing: Movement,
    bags: Sequence[SlimesBag],
    recovered: Mapping[str, tuple[int, float]],
) -> None:
    estimates = {
        (each.bag_id, each.metal): each for each in SlimesEstimate.objects.filter(bag__in=bags)
    }
    outcomes = []
    for metal in Metal.values:
        total_ug, u_ug = recovered.get(metal, (0, 0.0))
        weights = _weights([estimates.get((bag.pk, metal)) for bag in bags])
        for bag, weight, found_ug in zip(bags, weights, share_ug(total_ug, weights), strict=True):
            estimate = estimates.get((bag.pk, metal))
            outcomes.append(
                RecoveryOutcome(
                    process_batch=batch,
                    closing=closing,
                    bag=bag,
                    metal=metal,
                    estimated_ug=estimate.unfactored_ug if estimate else 0,
                    estimated_u_ug=estimate.unfactored_u_ug if estimate else 0,
                    booked_ug=estimate.booked_ug if estimate else 0,
                    recovered_ug=found_ug,
                    recovered_u_ug=round(u_ug * weight / sum(weights)),
                )
            )
    RecoveryOutcome.objects.bulk_create(outcomes)


def _weights(estimates: Sequence[SlimesEstimate | None]) -> list[int]:
    """By what each bag held by the book; evenly where none held any."""
    booked = [each.booked_ug if each else 0 for each in estimates]
    return booked if any(booked) else [1] * len(estimates)
