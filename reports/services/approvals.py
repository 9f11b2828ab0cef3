"""What needs a second person, where there is one: adjusting to a count, approving a month."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Final, NoReturn

from config.refusals import refuse
from lots import clock
from lots.declaration.event import SUBJECT, Asks, Event, On
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.models import Entry, Lot, Movement
from lots.people.roles import OFFICE
from lots.queries.works import is_one_persons
from reports.models import CountAdjustment, CountedMetal, CountLine, CountSheet, MonthEnd
from reports.queries.month.periods import period_of
from reports.queries.month.statement_digest import statement_digest
from reports.services.counts import ON_SHEET, book_now, check_no_adjustment, standing_line
from reports.services.month_end import ON_MONTH

# In the words of the pages that ask for a second person.
UNLESS: Final = "unless the works is run by one person"


@recorded_once
def propose_adjustments(
    *,
    sheet: CountSheet,
    causes: Annotated[
        Mapping[str, str],
        Asks(
            help="By lot code, the cause of its difference: "
            + ", ".join(CountAdjustment.Cause.values)
            + ".",
            at_most=20,
        ),
    ],
    act: Act,
) -> CountSheet:
    """Proposes to bring the book of lots (by code, each with a cause) to their count.

    Nothing is posted until another person approves. Raises InvalidError `nothing_proposed`,
    `unknown_choice`, `lot_not_on_sheet`; ConflictError `not_yet_counted`, `no_difference`,
    `adjustment_pending`, `month_not_counting`.
    """
    _check_counting(sheet.month_end)
    if not causes:
        raise refuse("nothing_proposed", field="causes")
    for code, cause in causes.items():
        line = _line(sheet, code)
        _check_proposable(line, cause)
        CountAdjustment.objects.create(
            line=line,
            cause=cause,
            note=act.note,
            proposed_by_id=act.who.pk,
            proposed_at=clock.now(),
        )
    return sheet


PROPOSE: Final = Event(
    propose_adjustments,
    on=ON_SHEET,
    at="propose",
    name="sheet-propose",
    about="Propose to bring the book of counted lots to their count; nothing is posted by it.",
    title="Propose an adjustment",
    lead="Nothing is posted until it is approved, by another person where there is one.",
    button="Propose it",
    done="Proposed. Nothing is posted yet.",
    roles=OFFICE,
    fixed={"causes": None},
    when="",
    page_at="/counts/<str:code>/propose",
)


@recorded_once
def approve_adjustments(*, sheet: CountSheet, act: Act) -> CountSheet:
    """Posts every adjustment proposed on the sheet, as of the moment counted for.

    Raises ForbiddenError `same_person`; ConflictError `nothing_proposed`, `book_moved_since`,
    `month_not_counting`, and what posting refuses (`lot_overdrawn` when the metal has moved on).
    """
    _check_counting(sheet.month_end)
    proposed = list(
        CountAdjustment.objects.filter(
            line__sheet=sheet, state=CountAdjustment.State.PROPOSED
        ).select_related("line__lot", "line__sheet")
    )
    if not proposed:
        raise refuse("nothing_proposed:approvals", field="sheet", value=sheet.code)
    for adjustment in proposed:
        _check_second(adjustment, act)
        adjustment.movement = _post_adjustment(adjustment, act)
        _decide(adjustment, CountAdjustment.State.POSTED, act)
    return sheet


APPROVE_ADJUSTMENTS: Final = Event(
    approve_adjustments,
    on=ON_SHEET,
    at="approve",
    name="sheet-approve",
    about="Post every adjustment that another person proposed on the sheet.",
    title="Approve the adjustments",
    lead="Each is posted as of the moment counted for. "
    f"Who proposed one can’t approve it, {UNLESS}.",
    button="Approve and post them",
    done="Posted.",
    roles=OFFICE,
    when="",
    page_at="/counts/<str:code>/approve",
)


@recorded_once
def decline_adjustment(*, adjustment: CountAdjustment, act: Act) -> CountAdjustment:
    """Turns a proposal down; the difference stays open. The act's note says why.

    Raises ForbiddenError `same_person`; ConflictError `already_decided`; InvalidError `empty`.
    """
    adjustment.refresh_from_db()
    if adjustment.state != CountAdjustment.State.PROPOSED:
        raise refuse(
            "already_decided",
            field="adjustment",
            value=adjustment.pk,
            adjustment=adjustment.get_state_display().lower(),
        )
    _check_second(adjustment, act)
    if not act.note.strip():
        raise refuse("empty:approvals", field="note")
    adjustment.note = act.note
    _decide(adjustment, CountAdjustment.State.DECLINED, act)
    return adjustment


DECLINE: Final = Event(
    decline_adjustment,
    on=On(
        CountAdjustment,
        "count-adjustments/<int:pk>",
        "adjustment",
        related=("line__sheet", "line__lot"),
        section="months",
        page="count-sheet",
        page_of="line.sheet.code",
        also=("who",),
    ),
    at="decline",
    name="adjustment-decline",
    about="Turn a proposal down; the difference stays open, and the note says why.",
    title="Decline an adjustment",
    button="Decline it",
    done="Declined: the difference stays open.",
    roles=OFFICE,
    when="",
    why="Why",
    needs_why=True,
    lands=SUBJECT,
    page_at="/adjustments/<int:pk>/decline",
)


@recorded_once
def approve_month(*, month_end: MonthEnd, act: Act) -> MonthEnd:
    """A second person approves the prepared month, signing the digest of what it states.

    Raises ConflictError `month_not_prepared`; ForbiddenError `same_person`.
    """
    month_end.refresh_from_db()
    if month_end.state != MonthEnd.State.PREPARED:
        raise refuse(
            "month_not_prepared",
            field="month",
            value=str(month_end.books_month),
            month_end=month_end,
            month_end_2=month_end.get_state_display().lower(),
        )
    assert month_end.prepared_by_id is not None
    if may_not_do_both(act, month_end.prepared_by_id):
        _refuse_second(act, "prepared this month")
    month_end.by_one_person = act.who.pk == month_end.prepared_by_id
    month_end.state = MonthEnd.State.APPROVED
    month_end.approved_by_id = act.who.pk
    month_end.approved_at = clock.now()
    month_end.statement_digest = statement_digest(period_of(month_end.books_month))
    month_end.version += 1
    month_end.save(
        update_fields=[
            "state",
            "approved_by",
            "approved_at",
            "by_one_person",
            "statement_digest",
            "version",
        ]
    )
    return month_end


APPROVE_MONTH: Final = Event(
    approve_month,
    on=ON_MONTH,
    at="approve",
    name="month-approve",
    about="Approve a month that another person prepared, signing the digest of its statement.",
    title="Approve the month",
    lead=f"Who prepared it can’t approve it, {UNLESS}. Your approval signs the statement’s digest.",
    button="Approve it",
    done="Approved.",
    roles=OFFICE,
)


@undo_for(Movement.Kind.COUNT_ADJUSTMENT)
def undo_adjustment(movement: Movement) -> None:
    """Reversing an adjustment's movement leaves the difference open again."""
    adjustment = CountAdjustment.objects.get(movement=movement)
    adjustment.state = CountAdjustment.State.REVERSED
    adjustment.save(update_fields=["state"])


def _post_adjustment(adjustment: CountAdjustment, act: Act) -> Movement:
    line = adjustment.line
    metals = list(CountedMetal.objects.filter(line=line).order_by("id"))
    book = book_now(line)
    counted_from = {each.metal: each.book_ug for each in metals if each.book_ug}
    own = (line.book_mass_ug, line.book_volume_ul)
    if book.metals != counted_from or (book.mass_ug, book.volume_ul) != own:
        raise refuse("book_moved_since", field="sheet", value=line.lot.code)
    assert line.counted_mass_ug is not None
    assert line.counted_volume_ul is not None
    draft = Draft(
        kind=Movement.Kind.COUNT_ADJUSTMENT,
        stage=Movement.Stage.STORE,
        cause=adjustment.cause,
        lines=[each for metal in metals for each in _lines(metal, line)],
        materials=[
            MaterialLine(
                line.lot,
                mass_ug=line.counted_mass_ug - book.mass_ug,
                volume_ul=line.counted_volume_ul - book.volume_ul,
                quantity_by=line.measurement,
            )
        ],
    )
    return post(draft, replace(act, occurred_at=line.sheet.as_of))


def _lines(metal: CountedMetal, line: CountLine) -> list[Line]:
    """Book less physical leaves the lot for the difference account (or comes from it)."""
    return [
        Line(
            metal.metal,
            -metal.difference_ug,
            lot=line.lot,
            basis=Entry.Basis.MEASURED,
            standard_uncertainty_ug=metal.standard_uncertainty_ug,
            quantity_by=line.measurement,
            content_by=line.assay,
        ),
        Line(
            metal.metal,
            metal.difference_ug,
            account=accounts.COUNT_DIFFERENCE,
            basis=Entry.Basis.DIFFERENCE,
        ),
    ]


def _decide(adjustment: CountAdjustment, state: str, act: Act) -> None:
    adjustment.state = state
    adjustment.decided_by_id = act.who.pk
    adjustment.decided_at = clock.now()
    adjustment.save(
        update_fields=["state", "decided_by", "decided_at", "by_one_person", "movement", "note"]
    )


def _line(sheet: CountSheet, code: str) -> CountLine:
    lot = Lot.objects.filter(code=code).first()
    if lot is None:
        raise refuse("unknown_lot", field=f"causes.{code}", value=code)
    return standing_line(sheet, lot)


def _check_proposable(line: CountLine, cause: str) -> None:
    code = line.lot.code
    if cause not in CountAdjustment.Cause.values:
        raise refuse(
            "unknown_choice:approvals",
            field=f"causes.{code}",
            value=cause,
            countadjustment=", ".join(CountAdjustment.Cause.values),
        )
    if not line.is_counted:
        raise refuse("not_yet_counted", field=f"causes.{code}", value=code)
    if not CountedMetal.objects.filter(line=line).exclude(difference_ug=0).exists():
        raise refuse("no_difference:approvals", field=f"causes.{code}", value=code)
    check_no_adjustment(line)


def may_not_do_both(act: Act, first_id: int) -> bool:
    """Whether who did the first act is to do the second, and works with others."""
    return act.who.pk == first_id and not is_one_persons()


def _refuse_second(act: Act, did: str) -> NoReturn:
    raise refuse("same_person", field="who", value=act.who.get_username(), did=did)


def _check_second(adjustment: CountAdjustment, act: Act) -> None:
    if may_not_do_both(act, adjustment.proposed_by_id):
        _refuse_second(act, "proposed this adjustment")
    adjustment.by_one_person = act.who.pk == adjustment.proposed_by_id


def _check_counting(month_end: MonthEnd) -> None:
    month_end.refresh_from_db(fields=["state"])
    if month_end.state != MonthEnd.State.COUNTING:
        raise refuse(
            "month_not_counting",
            field="month",
            value=str(month_end.books_month),
            month_end=month_end,
            month_end_2=month_end.get_state_display().lower(),
        )
