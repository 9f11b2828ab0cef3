"""Which assay of a lot counts: it sets the lot's content, and that of what has left it since."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Final

from django.db.models import F

from config.refusals import refuse
from lots.declaration.event import SUBJECT, Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.assays import ON_ASSAY
from lots.measurements.late_assay import LateAssay
from lots.measurements.made_with import MadeWith, made_with
from lots.measurements.outputs import Content, contents_by_assay, contents_by_concentration
from lots.measurements.ruling_assays import ruling_of
from lots.metals import Metal
from lots.models import (
    Assay,
    AssayRuling,
    ContentChange,
    Entry,
    Lot,
    Movement,
    VolumeReading,
    Weighing,
)
from lots.people.roles import ASSAYING
from lots.texts import REASON_MAX, checked_reason
from lots.units import proportion_ug

_DIFFERENCE: Final = Entry.Basis.DIFFERENCE


@dataclass(frozen=True)
class _Verdict:
    """What an assay says of a lot, and by how much that differs from the books, by metal."""

    lot: Lot
    made: MadeWith
    contents: dict[str, Content]
    changes: dict[str, int]


@recorded_once
def rule_assay(
    *,
    assay: Assay,
    reason: Annotated[str, Asks("Why this one counts", at_most=REASON_MAX)],
    act: Act,
) -> AssayRuling:
    """Decides that `assay` says what its lot holds, from the act's moment, and why.

    The content becomes what the lot was received or made with times the fineness (or the volume
    times the concentration). The difference is posted against assay difference, referring to the
    movement that brought the lot in; what has left the lot since carries its share (see
    `late_assay`). A metal the assay does not report keeps its content, but for copper that no
    longer fits beside the others. Raises InvalidError `empty`, `too_long`,
    `basis_without_quantity`, `fineness_sum_above_1000`; ConflictError `assay_withdrawn`,
    `already_rules`, `ruled_later`, `lot_in_process`, `lot_not_there_yet`; what `post` raises.
    """
    reason = checked_reason(reason)
    lot = Lot.objects.select_related("owner").get(pk=assay.lot_id)
    _check(lot, assay, act)
    made = made_with(lot, act.moment)
    contents = {content.metal: content for content in _contents(assay, made)}
    verdict = _Verdict(lot, made, contents, _changes(contents, made))
    late = LateAssay(assay)
    for metal, change_ug in verdict.changes.items():
        late.follow(lot.pk, metal, change_ug, made.movement)
    movement = _post(verdict, late, act)
    ruling = AssayRuling.objects.create(
        lot=lot,
        assay=assay,
        movement=movement,
        content_before=lot.content,
        reason=reason,
        decided_at=act.moment,
        decided_by_id=act.who.pk,
    )
    _keep_changes(verdict, late, movement)
    _set_content(lot, Lot.Content.ASSAYED)
    return ruling


RULE: Final = Event(
    rule_assay,
    on=replace(ON_ASSAY, template="lots/rule_assay.html"),
    lands=SUBJECT,
    at="rule",
    name="rule-assay",
    about="""Let an assay rule its lot.

    The lot's book content becomes what it found; when the metal has moved on, the difference
    follows it to where it is now.
    """,
    title="Let an assay rule",
    lead="The lot's content becomes what this report says. Metal that has moved on carries its "
    "share of the difference to where it is now.",
    button="Let it rule",
    done="This report rules the lot's content from now on.",
    roles=ASSAYING,
)


@undo_for(Movement.Kind.ASSAY_DIFFERENCE)
def take_ruling_back(movement: Movement) -> None:
    """Reversing what a ruling posted takes the ruling back; the latest ruling goes first."""
    ruling = AssayRuling.objects.select_related("lot").get(movement=movement)
    latest = ruling_of(ruling.lot)
    if latest != ruling:
        raise refuse(
            "ruled_later", field="movement", value=movement.sequence, ruling=ruling.lot.code
        )
    _set_content(ruling.lot, ruling.content_before)


def _set_content(lot: Lot, content: str) -> None:
    Lot.objects.filter(pk=lot.pk).update(content=content, version=F("version") + 1)
    lot.content = content


def _check(lot: Lot, assay: Assay, act: Act) -> None:
    if hasattr(assay, "withdrawal"):
        raise refuse("assay_withdrawn", field="assay", value=assay.pk)
    if lot.form in {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE}:
        raise refuse("lot_in_process", field="assay", value=lot.code)
    present = ruling_of(lot)
    if present is not None and present.assay_id == assay.pk:
        raise refuse("already_rules", field="assay", value=assay.pk, lot=lot.code)
    if present is not None and present.decided_at > act.moment:
        raise refuse(
            "ruled_later:rulings", field="occurred_at", value=act.moment.isoformat(), lot=lot.code
        )


def _contents(assay: Assay, made: MadeWith) -> list[Content]:
    weighing = Weighing.objects.filter(pk=made.quantity_by.pk).first() if made.quantity_by else None
    reading = (
        VolumeReading.objects.filter(pk=made.quantity_by.pk).first() if made.quantity_by else None
    )
    if assay.basis == Assay.Basis.FINENESS and made.mass_ug > 0:
        unsure_ug = weighing.standard_uncertainty_ug if weighing else 0
        return contents_by_assay(made.mass_ug, unsure_ug, assay, weighing)
    if assay.basis == Assay.Basis.CONCENTRATION and made.volume_ul > 0:
        unsure_ul = reading.standard_uncertainty_ul if reading else 0
        return contents_by_concentration(made.volume_ul, unsure_ul, assay, reading)
    raise refuse("basis_without_quantity:rulings", field="assay", value=assay.basis)


def _changes(contents: Mapping[str, Content], made: MadeWith) -> dict[str, int]:
    """By metal, content as ruled less content as booked; copper gives way where it must."""
    changes = {metal: content.mass_ug - made.metals[metal] for metal, content in contents.items()}
    others = {metal: ug for metal, ug in made.metals.items() if metal not in contents and ug > 0}
    found_ug = sum(content.mass_ug for content in contents.values())
    over_ug = found_ug + sum(others.values()) - made.mass_ug
    if not made.mass_ug or not others or over_ug <= 0:
        return changes
    if over_ug > others.get(Metal.CU, 0):
        raise refuse("fineness_sum_above_1000:rulings", field="assay", value=", ".join(others))
    return changes | {Metal.CU.value: -over_ug}


def _post(verdict: _Verdict, late: LateAssay, act: Act) -> Movement:
    """One movement: the change where the metal is now, against assay difference.

    What could not be placed goes back to assay difference on a line of its own.
    """
    lines, claims, unplaced = late.settle()
    lines = [_rested(line, verdict) if line.lot is not None else line for line in lines]
    difference = Line(
        "", 0, account=accounts.ASSAY_DIFFERENCE, owner=verdict.lot.owner, basis=_DIFFERENCE
    )
    for metal, change_ug in verdict.changes.items():
        counter = replace(difference, metal=metal, mass_ug=-change_ug)
        lines.append(_measured(counter, verdict))
        lines.append(replace(difference, metal=metal, mass_ug=unplaced.get(metal, 0)))
    return post(
        Draft(
            kind=Movement.Kind.ASSAY_DIFFERENCE,
            stage=Movement.Stage.RECEIPT,
            lines=lines,
            claims=claims,
            refers_to=verdict.made.movement,
        ),
        replace(act, occurred_at=late.latest_moment(act.moment)),
    )


def _rested(line: Line, verdict: _Verdict) -> Line:
    """A lot's line, as unsure as its part of the change is of the whole content."""
    content = verdict.contents.get(line.metal)
    if content is not None and content.standard_uncertainty_ug is not None:
        unsure_ug = proportion_ug(
            content.standard_uncertainty_ug,
            abs(line.mass_ug),
            abs(verdict.changes[line.metal]),
        )
        line = replace(line, standard_uncertainty_ug=unsure_ug)
    return _measured(line, verdict) if line.lot == verdict.lot else line


def _measured(line: Line, verdict: _Verdict) -> Line:
    """The line resting on weighing and assay, or by difference where the assay is silent."""
    content = verdict.contents.get(line.metal)
    if content is None:
        return replace(line, basis=_DIFFERENCE, content_by=None)
    return replace(
        line,
        basis=content.basis,
        quantity_by=content.quantity_by,
        content_by=content.content_by,
    )


def _keep_changes(verdict: _Verdict, late: LateAssay, movement: Movement) -> None:
    rows = [
        ContentChange(
            movement=movement,
            lot=verdict.lot,
            entered_by=verdict.made.movement,
            metal=metal,
            mass_ug=change_ug,
            content_ug=verdict.made.metals[metal] + change_ug,
            standard_uncertainty_ug=(
                verdict.contents[metal].standard_uncertainty_ug
                if metal in verdict.contents
                else None
            ),
        )
        for metal, change_ug in verdict.changes.items()
    ]
    rows += [
        ContentChange(
            movement=movement, lot_id=lot_id, entered_by_id=by, metal=metal, mass_ug=change_ug
        )
        for (lot_id, by, metal), change_ug in late.entered.items()
        if change_ug
    ]
    ContentChange.objects.bulk_create(rows)
