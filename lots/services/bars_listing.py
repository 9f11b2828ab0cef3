"""A bar is put on the bar list, by stated rules, or struck out of it again."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Final, get_args

from config.refusals import InvalidError, refuse
from lots import clock
from lots.bars import (
    SMALL_GOLD_BARS,
    Direction,
    FineWeight,
    GrossWeight,
    RoundingRule,
    fine_weight,
    gross_weight,
    small_bar_fine_weight,
)
from lots.declaration.common import Reason
from lots.declaration.event import EXACT, SUBJECT, Asks, Event, On
from lots.fineness import parse_fineness
from lots.ledger.recording import Act, recorded_once
from lots.metals import Metal
from lots.models import Assay, BarRecord, Lot, Weighing
from lots.services.lot_register import ON_LOT
from lots.services.taking import check_at_hand
from lots.texts import checked_reason, checked_text
from lots.units import DECIMALS_MAX

MARK_MAX: Final = 40
# London's list of silver bars states gross weight and fineness alone.
NO_FINE_WEIGHT: Final = "no published rule and none agreed: gross weight and fineness only"


@dataclass(frozen=True)
class AgreedRounding(RoundingRule):
    """A rounding the parties agreed: its direction, and its step in troy ounces."""

    direction: Annotated[Direction, Asks(choices=get_args(Direction))]
    step: Annotated[Decimal, Asks(kind=EXACT, at_least=Decimal("0.000001"), at_most=1000)]


@dataclass(frozen=True)
class Bar:
    """What is stamped on a bar and what its weights rest on.

    `stamped_ppt` is the fineness stamped, at most the assay's; the assay's own when None.
    `small_bar` names a bar of the agreed table, such as "1 kg": its fine weight is looked up.
    `gross_rule` and `fine_rule` are the parties' own; London's apply where they are None.
    """

    mark: Annotated[str, Asks("As stamped", at_most=200, positive=False)]
    metal: Annotated[str, Asks(choices=Metal)]
    weighing: Weighing
    assay: Assay
    stamped_ppt: Annotated[
        Decimal | None,
        Asks(
            help="Parts per thousand, at most the assay's; the assay's own if left out.",
            name="stamped",
            kind=EXACT,
            decimals=DECIMALS_MAX,
        ),
    ] = None
    turn_of_scale: bool = False
    # Programs send the first of the two; the second is enough for the figures.
    gross_rule: AgreedRounding | RoundingRule | None = None
    fine_rule: AgreedRounding | RoundingRule | None = None
    small_bar: Annotated[
        str,
        Asks(help=f"A bar of the agreed table: {', '.join(SMALL_GOLD_BARS.fine_ozt)}.", at_most=20),
    ] = ""


@dataclass(frozen=True)
class BarFigures:
    """What the list will say of a bar; `fine` None: no rule states a fine weight."""

    gross: GrossWeight
    fineness_ppt: Decimal
    fine: FineWeight | None


def bar_figures(bar: Bar) -> BarFigures:
    """The figures of a bar by its rules, before it is listed. Refuses as `list_bar` does."""
    fineness_ppt = _stated_fineness(bar)
    gross = gross_weight(
        bar.metal,
        bar.weighing.net_ug,
        turn_of_scale=bar.turn_of_scale,
        agreed=bar.gross_rule,
    )
    return BarFigures(gross, fineness_ppt, _fine(bar, gross.gross_ozt, fineness_ppt))


@recorded_once
def list_bar(*, lot: Lot, bar: Bar, act: Act) -> BarRecord:
    """Puts a bar on the list, with its gross and fine weight and the rules that gave them.

    Raises InvalidError `unknown_metal`, `not_a_bar`, `not_of_this_lot`, `not_assayed_for`,
    `stamped_above_assay`, `two_rules`, what `checked_text` and the functions of `lots.bars` raise;
    ConflictError `lot_not_available`, `already_listed`, `mark_in_use`, `withdrawn`.
    """
    mark = checked_text(bar.mark, field="mark", limit=MARK_MAX, required=True)
    _check_lot(lot)
    _check_metal(bar)
    _check_evidence(lot, bar)
    if BarRecord.objects.filter(mark=mark, struck_at=None).exists():
        raise refuse("mark_in_use", field="mark", value=mark)
    figures = bar_figures(bar)
    gross, fine = figures.gross, figures.fine
    return BarRecord.objects.create(
        lot=lot,
        mark=mark,
        metal=bar.metal,
        weighing=bar.weighing,
        assay=bar.assay,
        mass_ug=bar.weighing.net_ug,
        gross_ozt=gross.gross_ozt,
        gross_rule=gross.rule,
        fineness_ppt=figures.fineness_ppt,
        fine_ozt=fine.fine_ozt if fine else None,
        fine_basis=fine.basis if fine else BarRecord.Basis.NOT_STATED,
        fine_rule=fine.rule if fine else NO_FINE_WEIGHT,
        fine_source=fine.source if fine else "",
        listed_at=act.moment,
        recorded_at=clock.now(),
        listed_by_id=act.who.pk,
        note=act.note,
    )


LIST_BAR: Final = Event(
    list_bar,
    on=ON_LOT,
    at="bar",
    about="""Put a bar on the list: gross and fine weight, and by which rules.

    London's rules apply to large bars, the agreed table to a `small_bar`, or the parties' own.
    """,
    title="List a bar",
    lead="The list states gross and fine weight by a rule, and says which. Rules differ: use the "
    "one your buyer and you agreed on.",
    button="Put it on the list",
    done="The bar is on the list.",
    name="list-bar",
    template="lots/list_bar.html",
    flat=("bar",),
    asked_as={"bar": "small_bar", "mass": "weighing", "gross": "gross_rule"},
    lands="bar pk",
)


@recorded_once
def strike_bar(*, record: BarRecord, reason: Reason, act: Act) -> BarRecord:
    """Strikes out an entry found wrong: it stays on record and says why.

    Raises InvalidError as `checked_reason`; ConflictError `already_struck`.
    """
    reason = checked_reason(reason)
    record.refresh_from_db()
    if record.struck_at is not None:
        raise refuse("already_struck", field="record", value=record.mark)
    record.struck_at = clock.now()
    record.struck_by_id = act.who.pk
    record.struck_reason = reason
    record.save(update_fields=["struck_at", "struck_by", "struck_reason"])
    return record


STRIKE_BAR: Final = Event(
    strike_bar,
    on=On(
        BarRecord,
        "bars/<int:pk>",
        "record",
        related=("lot",),
        template="lots/bar_step.html",
        page="bar",
        page_of="pk",
    ),
    at="strike",
    name="bar-strike",
    about="Strike a wrong entry out of the bar list; it stays on record and says why.",
    title="Strike out a bar",
    lead="The entry stays on record and says why. List the bar again from its page, if it belongs "
    "there: the form comes filled with what stands now.",
    button="Strike it out",
    done="Struck out; it stays on record.",
    when="",
    why="",
    lands=SUBJECT,
)


def _check_lot(lot: Lot) -> None:
    if lot.form != Lot.Form.BAR:
        raise refuse("not_a_bar", field="lot", value=lot.code)
    check_at_hand(lot, field="lot")
    listed = BarRecord.objects.filter(lot=lot, struck_at=None).first()
    if listed is not None:
        raise refuse("already_listed", field="lot", value=lot.code, mark=listed.mark)


def _check_metal(bar: Bar) -> None:
    if bar.metal not in Metal.values:
        raise refuse(
            "unknown_metal:fields", field="metal", value=bar.metal, metal=", ".join(Metal.values)
        )


def _check_evidence(lot: Lot, bar: Bar) -> None:
    for name, evidence in (("weighing", bar.weighing), ("assay", bar.assay)):
        if evidence.lot_id != lot.pk:
            raise refuse("not_of_this_lot", field=name, value=evidence.pk, name=name, lot=lot.code)
        if hasattr(evidence, "withdrawal"):
            raise refuse("withdrawn", field=name, value=evidence.pk, name=name)


def _stated_fineness(bar: Bar) -> Decimal:
    result = bar.assay.results.filter(metal=bar.metal).first()
    if result is None or bar.assay.basis != Assay.Basis.FINENESS:
        raise refuse("not_assayed_for", field="assay", value=bar.assay.pk, metal=bar.metal)
    if bar.stamped_ppt is None:
        return result.value
    stamped_ppt = parse_fineness(bar.stamped_ppt, field="stamped")
    if stamped_ppt > result.value:
        raise refuse(
            "stamped_above_assay",
            field="stamped",
            value=stamped_ppt,
            result=result.value.normalize(),
        )
    return stamped_ppt


def _fine(bar: Bar, gross_ozt: Decimal, fineness_ppt: Decimal) -> FineWeight | None:
    if bar.small_bar:
        if bar.fine_rule is not None or bar.metal != Metal.AU:
            raise InvalidError(
                "The agreed table is for small gold bars and leaves nothing to round.",
                code="two_rules" if bar.metal == Metal.AU else "no_bar_rule",
                field="small_bar",
                value=bar.small_bar,
                remedy="Leave out the bar of the table, or the other rule.",
            )
        return small_bar_fine_weight(bar.small_bar, fineness_ppt)
    if bar.fine_rule is None and bar.metal != Metal.AU:
        return None
    return fine_weight(bar.metal, gross_ozt, fineness_ppt, bar.fine_rule)
