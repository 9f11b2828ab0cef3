"""Settlements: computed as a draft, approved by a second person, superseded when a fact changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from decimal import Decimal
from typing import Annotated, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.event import ELEMENTS, EXACT, PARTS, SUBJECT, Asks, Event, Menu, On
from lots.ledger.drafts import ClaimLine, Draft
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.models import ClaimEntry, Lot, Movement, Party
from lots.people.roles import OFFICE
from lots.services.lot_register import ON_LOT, next_code
from lots.traces.lot_trace import trace_forward
from reports.json_ready import json_ready
from reports.models import ContractTerms, Settlement
from reports.queries.lot.lot_claim import customer_of, joined_pool_ug
from reports.queries.lot.settlement_case import received_on, settlement_case, terms_for
from reports.queries.lot.settlement_statement import statement_of
from reports.services.approvals import UNLESS, may_not_do_both
from reports.settle import settle
from reports.settlement_lines import Case, changes
from reports.terms import SettleIn, parse_terms

PREFIX: Final = "ST"
CAUSE: Final = "settlement"
TAX_MAX: Final = 1_000_000_000_000
_STATE: Final = Settlement.State
ON_SETTLEMENT: Final = On(
    Settlement,
    "settlements/<str:code>",
    "settlement",
    related=("lot", "customer"),
    section="settlements",
    template="reports/settlement_step.html",
    roles=OFFICE,
    when="",
    page="settlement",
    also=("who",),
)


@recorded_once
def prepare_settlement(
    *,
    lot: Lot,
    kind: Annotated[str, Asks("Which", choices=Settlement.Kind, initial=Settlement.Kind.FINAL)],
    act: Act,
    impurities_ppt: Annotated[
        Mapping[str, Decimal] | None,
        Asks(help="Parts per thousand by element, for penalties.", kind=ELEMENTS),
    ] = None,
    tax: Annotated[
        Decimal | None,
        Asks(
            "Tax to add",
            "An amount you worked out, positive when due to the customer: this program gives no "
            "tax advice.",
            kind=EXACT,
            at_least=-TAX_MAX,
        ),
    ] = None,
    moisture_ppt: Annotated[
        Decimal | None,
        Asks(
            help="Parts per thousand of the weight received, where the terms settle on it dry.",
            kind=PARTS,
        ),
    ] = None,
) -> Settlement:
    """Computes a draft of a lot's settlement from what stands on record; nothing is posted.

    A provisional one rests on what was declared while the customer's result is awaited. It
    supersedes, once approved, the lot's settlement in force, and shows the difference. Raises
    InvalidError `unknown_choice`, `not_a_customers_lot`; ConflictError `no_terms`,
    `settlement_draft_exists`, `final_in_force`, `weighing_missing`, and what `settle` raises.
    """
    _check_kind(kind)
    lot = Lot.objects.select_related("owner", "received_from").get(pk=lot.pk)
    customer = _customer(lot)
    in_force = _check_room(lot, kind)
    contract = _contract(lot, customer)
    case = settlement_case(
        lot,
        parse_terms(contract.content),
        is_provisional=kind == Settlement.Kind.PROVISIONAL,
        is_shown=True,
        impurities_ppt=impurities_ppt,
        tax=tax,
        moisture_ppt=moisture_ppt,
    )
    return _keep(lot, contract, case, in_force, act)


PREPARE: Final = Event(
    prepare_settlement,
    on=ON_LOT,
    at="settlements",
    name="settle",
    about="""Compute a draft of a lot's settlement from what is on record; nothing is posted by it.

    Once approved it supersedes the settlement in force, and shows the difference.
    """,
    title="Prepare a settlement",
    lead="Computed from what stands on record and the customer's terms. Nothing is posted yet.",
    button="Compute it",
    done="A draft. It waits to be approved.",
    section="settlements",
    roles=OFFICE,
    asked_as={"customer": "lot"},
    # The page asks for what the lot's terms need.
    fixed={"impurities_ppt": None, "moisture_ppt": None},
    when="",
    lands="settlement code",
    page_at="settle",
    menu=Menu("LOT_ACTIONS", "Prepare a settlement", 82, hint="By the customer's terms"),
)


@recorded_once
def approve_settlement(*, settlement: Settlement, act: Act) -> Settlement:
    """A second person puts a draft in force; the settlement before it is superseded.

    A final one settles the customer's claim for the lot: in metal what is payable stays theirs, in
    money none of it does. A provisional one moves no claim. Raises ForbiddenError `same_person`;
    ConflictError `not_a_draft`, `still_kept_apart`, `claim_overdrawn`, `superseded_since`.
    """
    settlement.refresh_from_db()
    _check_draft(settlement)
    if may_not_do_both(act, settlement.prepared_by_id):
        raise refuse("same_person:settlement", field="who", value=act.who.get_username())
    settlement.by_one_person = act.who.pk == settlement.prepared_by_id
    in_force = _in_force(settlement.lot)
    if (in_force.pk if in_force else None) != settlement.supersedes_id:
        raise refuse("superseded_since", field="settlement", value=settlement.code)
    if in_force is not None:
        in_force.state = _STATE.SUPERSEDED
        in_force.version += 1
        in_force.save(update_fields=["state", "version"])
    if settlement.kind == Settlement.Kind.FINAL:
        settlement.movement = _settle_claim(settlement, act)
    settlement.state = _STATE.APPROVED
    settlement.approved_by_id = act.who.pk
    settlement.approved_at = clock.now()
    settlement.version += 1
    settlement.save(
        update_fields=[
            "state",
            "approved_by",
            "approved_at",
            "by_one_person",
            "movement",
            "version",
        ]
    )
    return settlement


APPROVE: Final = Event(
    approve_settlement,
    on=ON_SETTLEMENT,
    at="approve",
    name="settlement-approve",
    about="Put a draft that another person prepared in force; a final one settles the claim.",
    title="Approve a settlement",
    lead=f"Who prepared it can’t approve it, {UNLESS}. A final one settles the customer’s claim. "
    "Terms of the contract and local law decide.",
    button="Approve it",
    done="Approved and in force.",
    lands=SUBJECT,
)


@recorded_once
def withdraw_settlement(*, settlement: Settlement, act: Act) -> Settlement:
    """Drops a draft; its record stays. The act's note says why.

    Raises ConflictError `not_a_draft`; InvalidError `empty`.
    """
    settlement.refresh_from_db()
    _check_draft(settlement)
    if not act.note.strip():
        raise refuse("empty:settlement", field="note")
    settlement.state = _STATE.WITHDRAWN
    settlement.note = act.note
    settlement.version += 1
    settlement.save(update_fields=["state", "note", "version"])
    return settlement


WITHDRAW: Final = Event(
    withdraw_settlement,
    on=ON_SETTLEMENT,
    at="withdraw",
    name="settlement-withdraw",
    about="Drop a draft; its record stays, and the note says why.",
    title="Withdraw a draft",
    button="Drop it",
    done="Withdrawn; its record stays.",
    why="Why",
    needs_why=True,
    lands=SUBJECT,
)


@undo_for(Movement.Kind.CLAIM)
def keep_settled(movement: Movement) -> None:
    """A claim settled by a statement is put right by a superseding statement, not by a reversal."""
    settlement = Settlement.objects.filter(movement=movement).first()
    if settlement is not None:
        raise refuse(
            "settled_by_statement",
            field="movement",
            value=movement.sequence,
            settlement=settlement.code,
        )


def _keep(
    lot: Lot,
    contract: ContractTerms,
    case: Case,
    in_force: Settlement | None,
    act: Act,
) -> Settlement:
    assert fields(case)[0].name == "terms", "the terms are frozen in a column of their own"
    statement = settle(case)
    before = statement_of(in_force) if in_force else None
    is_provisional = case.is_provisional
    return Settlement.objects.create(
        code=next_code(PREFIX, act.moment.year),
        lot=lot,
        customer=contract.customer,
        kind=Settlement.Kind.PROVISIONAL if is_provisional else Settlement.Kind.FINAL,
        contract_terms=contract,
        terms=contract.content,
        case={each.name: json_ready(getattr(case, each.name)) for each in fields(case)[1:]},
        lines=json_ready(statement.lines),
        payable_ug=statement.payable_ug,
        total=statement.total,
        currency=statement.currency,
        supersedes=in_force,
        changes=json_ready(changes(before, statement)) if before else [],
        prepared_by_id=act.who.pk,
        prepared_at=clock.now(),
        note=act.note,
    )


def _settle_claim(settlement: Settlement, act: Act) -> Movement | None:
    """Brings the lot's part of the customer's claim to what the settlement leaves of it."""
    lot = Lot.objects.select_related("owner", "received_from").get(pk=settlement.lot_id)
    customer = settlement.customer
    ahead = trace_forward(lot)
    for part in ahead.parts:
        if part.owner_id == customer.pk and part.lot and part.lot.form != Lot.Form.SAMPLE:
            raise refuse(
                "still_kept_apart", field="settlement", value=part.lot.code, customer=customer
            )
    claimed = joined_pool_ug(lot, ahead)
    earlier = ClaimEntry.objects.filter(movement__settlement__lot=lot, owner=customer)
    for metal, mass_ug in earlier.values_list("metal", "mass_ug"):
        claimed[metal] = claimed.get(metal, 0) + mass_ug
    in_metal = parse_terms(settlement.terms).settle_in == SettleIn.METAL
    left = settlement.payable_ug if in_metal else {}
    lines = [
        ClaimLine(customer, metal, difference)
        for metal in dict.fromkeys([*claimed, *left])
        if (difference := left.get(metal, 0) - claimed.get(metal, 0))
    ]
    if not lines:
        return None
    return post(
        Draft(
            kind=Movement.Kind.CLAIM,
            stage=Movement.Stage.STORE,
            cause=CAUSE,
            claims=lines,
            counterparty=customer,
        ),
        replace(act, note=act.note or f"Settlement {settlement.code}"),
    )


def _in_force(lot: Lot) -> Settlement | None:
    return Settlement.objects.filter(lot=lot, state=_STATE.APPROVED).first()


def _customer(lot: Lot) -> Party:
    customer = customer_of(lot)
    if customer is None:
        raise refuse("not_a_customers_lot", field="lot", value=lot.code)
    return customer


def _contract(lot: Lot, customer: Party) -> ContractTerms:
    day = received_on(lot)
    contract = terms_for(customer, lot.form, day)
    if contract is None:
        raise refuse("no_terms", field="customer", value=customer.code, customer=customer, day=day)
    return contract


def _check_kind(kind: str) -> None:
    if kind not in Settlement.Kind.values:
        raise refuse(
            "unknown_choice:settlement",
            field="kind",
            value=kind,
            settlement=", ".join(Settlement.Kind.values),
        )


def _check_room(lot: Lot, kind: str) -> Settlement | None:
    """The settlement in force that a new one would supersede."""
    draft = Settlement.objects.filter(lot=lot, state=_STATE.DRAFT).first()
    if draft is not None:
        raise refuse("settlement_draft_exists", field="lot", value=draft.code)
    in_force = _in_force(lot)
    is_final = in_force is not None and in_force.kind == Settlement.Kind.FINAL
    if in_force is not None and is_final and kind == Settlement.Kind.PROVISIONAL:
        raise refuse("final_in_force", field="kind", value=kind, in_force=in_force.code)
    return in_force


def _check_draft(settlement: Settlement) -> None:
    if settlement.state != _STATE.DRAFT:
        raise refuse(
            "not_a_draft",
            field="settlement",
            value=settlement.code,
            settlement=settlement.get_state_display().lower(),
        )
