"""A check weighing shows another mass than the book: the book is corrected, with a reason."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from config.refusals import refuse
from lots.declaration.common import Reason
from lots.declaration.event import Event, On
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine
from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.models import Entry, Lot, MaterialEntry, Movement, Weighing
from lots.services.taking import check_at_hand
from lots.texts import checked_reason
from lots.units import proportion_ug


@recorded_once
def post_weighing_difference(*, weighing: Weighing, reason: Reason, act: Act) -> Movement:
    """Brings a lot's material to what a check weighing of it read; metals follow in proportion.

    Positive when more was found than booked. Raises InvalidError `empty`, `too_long`; ConflictError
    `weighing_withdrawn`, `already_posted`, `lot_not_available`, `weighed_later`, `lot_moved_since`,
    `not_known_by_weight`, `no_difference`.
    """
    reason = checked_reason(reason)
    lot = Lot.objects.select_related("owner").get(pk=weighing.lot_id)
    check_at_hand(lot, field="weighing", also={Lot.State.QUARANTINED})
    held = holding(lot, AsOf(act.moment))
    _check(weighing, lot, held, act)
    difference_ug = weighing.net_ug - held.mass_ug
    sign = -1 if difference_ug < 0 else 1
    lines = []
    for metal, metal_ug in held.metals.items():
        change_ug = sign * proportion_ug(metal_ug, abs(difference_ug), held.mass_ug)
        line = Line(metal, change_ug, lot=lot, quantity_by=weighing)
        lines += [
            line,
            replace(
                line,
                lot=None,
                account=accounts.WEIGHING_DIFFERENCE,
                owner=lot.owner,
                mass_ug=-change_ug,
                basis=Entry.Basis.DIFFERENCE,
            ),
        ]
    return post(
        Draft(
            kind=Movement.Kind.WEIGHING_DIFFERENCE,
            stage=Movement.Stage.STORE,
            lines=lines,
            materials=[MaterialLine(lot, mass_ug=difference_ug, quantity_by=weighing)],
        ),
        replace(act, note=reason),
    )


POST_DIFFERENCE: Final = Event(
    post_weighing_difference,
    on=On(
        Weighing,
        "weighings/<int:pk>",
        "weighing",
        related=("lot", "balance"),
        template="lots/lots_thing_step.html",
    ),
    at="post-difference",
    name="post-difference",
    about="Bring a lot's book to a check weighing of it; its metals follow in proportion.",
    title="Bring the book to this weighing",
    lead="The lot's weight becomes what was read; its metals follow in proportion.",
    button="Post the difference",
    done="The difference is posted against its own account.",
    page_at="post",
)


def _check(weighing: Weighing, lot: Lot, held: Holding, act: Act) -> None:
    if hasattr(weighing, "withdrawal"):
        raise refuse("weighing_withdrawn", field="weighing", value=weighing.pk)
    materials = MaterialEntry.objects.filter(
        lot=lot, movement__reverses__isnull=True, movement__reversed_by__isnull=True
    )
    if materials.filter(quantity_by=weighing).exists():
        raise refuse("already_posted", field="weighing", value=weighing.pk)
    if weighing.taken_at > act.moment:
        raise refuse("weighed_later", field="occurred_at", value=act.moment.isoformat())
    if materials.filter(occurred_at__gt=weighing.taken_at).exists():
        raise refuse(
            "lot_moved_since:weighing_difference", field="weighing", value=weighing.pk, lot=lot.code
        )
    if held.mass_ug <= 0:
        raise refuse("not_known_by_weight", field="weighing", value=lot.code)
    if weighing.net_ug == held.mass_ug:
        raise refuse("no_difference", field="weighing", value=weighing.pk)
