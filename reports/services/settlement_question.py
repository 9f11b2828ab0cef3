"""A customer's question about a lot is recorded, with its answer put together from the books."""

from __future__ import annotations

from typing import Final

from config.refusals import refuse
from lots import clock, display
from lots.display import money
from lots.ledger.posting import house
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot
from lots.texts import checked_text
from reports.json_ready import json_ready
from reports.models import Settlement, SettlementQuestion
from reports.queries.lot.exchange_agreement import MetalAgreement, exchange_agreements
from reports.queries.lot.lot_answer import WHERE_NAMES, LotAnswer, Where, lot_answer
from reports.queries.lot.lot_answer_lines import LOST
from reports.queries.lot.lot_claim import customer_of
from reports.queries.lot.settlement_statement import settlement_statement
from reports.reply_draft import Compared, Facts, Whereabouts, draft_reply

TEXT_MAX: Final = 4000
_STATE: Final = SettlementQuestion.State


@recorded_once
def ask_question(*, lot: Lot, question: str, act: Act) -> SettlementQuestion:
    """Records the question with what the books say now and a reply drafted from it.

    Raises InvalidError `empty`, `too_long`, `not_text`, `not_a_customers_lot`.
    """
    text = checked_text(question, field="question", limit=TEXT_MAX, required=True)
    lot = Lot.objects.select_related("owner", "received_from").get(pk=lot.pk)
    customer = customer_of(lot)
    if customer is None:
        raise refuse("not_a_customers_lot", field="lot", value=lot.code)
    settlement = Settlement.objects.filter(lot=lot, state=Settlement.State.APPROVED).first()
    answer = lot_answer(lot, seen_by=customer)
    agreements = exchange_agreements(lot, evidence=answer.evidence)
    facts = _facts(answer, agreements, text, customer.name, settlement)
    return SettlementQuestion.objects.create(
        lot=lot,
        settlement=settlement,
        customer=customer,
        question=text,
        asked_at=act.moment,
        recorded_by_id=act.who.pk,
        answer={
            "lot": json_ready(answer),
            "agreements": json_ready(agreements),
            "settlement": json_ready(settlement_statement(settlement)) if settlement else None,
        },
        draft=draft_reply(facts),
    )


@recorded_once
def answer_question(*, question: SettlementQuestion, reply: str, act: Act) -> SettlementQuestion:
    """Keeps the reply as it was sent.

    Raises ConflictError `already_answered`; InvalidError `empty`, `too_long`, `not_text`.
    """
    question.refresh_from_db()
    _check_open(question)
    question.reply = checked_text(reply, field="reply", limit=TEXT_MAX, required=True)
    return _close(question, _STATE.ANSWERED, act)


@recorded_once
def withdraw_question(*, question: SettlementQuestion, act: Act) -> SettlementQuestion:
    """The customer asks no more; the record stays. Raises ConflictError `already_answered`."""
    question.refresh_from_db()
    _check_open(question)
    return _close(question, _STATE.WITHDRAWN, act)


def _close(question: SettlementQuestion, state: str, act: Act) -> SettlementQuestion:
    question.state = state
    question.answered_by_id = act.who.pk
    question.answered_at = clock.now()
    question.version += 1
    question.save(update_fields=["state", "reply", "answered_by", "answered_at", "version"])
    return question


def _check_open(question: SettlementQuestion) -> None:
    if question.state != _STATE.OPEN:
        raise refuse(
            "already_answered",
            field="question",
            value=question.pk,
            question=question.get_state_display().lower(),
        )


def _facts(
    answer: LotAnswer,
    agreements: tuple[MetalAgreement, ...],
    question: str,
    customer: str,
    settlement: Settlement | None,
) -> Facts:
    payable = answer.payable
    outcomes = [
        f"{line['section']}: {line['note']}"
        for line in (settlement.lines if settlement else [])
        if line["key"].endswith("_agreed")
    ]
    return Facts(
        house=house().name,
        customer=customer,
        lot=answer.lot,
        question=question,
        weights=[
            f"{line.purpose.lower()} {display.grams(line.net_ug)} on {line.balance} "
            f"(standard uncertainty {display.grams(line.standard_uncertainty_ug)})"
            for line in answer.evidence.weighings
            if not line.withdrawn
        ],
        withheld=answer.withheld,
        compared=[_compared(each) for each in agreements],
        outcomes=outcomes,
        whereabouts=[
            Whereabouts(
                metal.metal,
                metal.entered_ug,
                {
                    WHERE_NAMES[where].lower(): metal.where_ug[where]
                    for where in Where
                    if metal.where_ug.get(where)
                },
                lost_ug=sum(metal.where_ug.get(where, 0) for where in LOST),
            )
            for metal in answer.metals
        ],
        payable_ug=payable.payable_ug,
        total="" if payable.total is None else f"{money(payable.total)} {payable.currency}",
        settlement=payable.settlement,
        deference=answer.deference,
    )


def _compared(each: MetalAgreement) -> Compared:
    return Compared(
        metal=each.metal,
        house=each.house.value.normalize(),
        counterparty=each.counterparty.value.normalize(),
        umpire=each.umpire.value.normalize() if each.umpire else None,
        difference=each.agreement.difference_ppt.normalize(),
        allowed=each.agreement.allowed_ppt,
        within=each.agreement.within,
    )
