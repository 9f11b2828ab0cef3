"""A customer's question about a lot is recorded, with its answer put together from the books."""

from __future__ import annotations

from typing import Annotated, Final

from config.refusals import refuse
from lots import clock, display
from lots.declaration.event import SUBJECT, Asks, Event, Menu, On
from lots.display import money
from lots.ledger.posting import house
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot
from lots.people.roles import OFFICE
from lots.services.lot_register import ON_LOT
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
ON_QUESTION: Final = On(
    SettlementQuestion,
    "settlement-questions/<int:pk>",
    "question",
    section="settlements",
    template="reports/question_step.html",
    roles=OFFICE,
    when="",
    page="question",
    page_of="pk",
)


@recorded_once
def ask_question(
    *,
    lot: Lot,
    question: Annotated[
        str,
        Asks("The customer's question", "In the customer's own words.", at_most=TEXT_MAX, long=4),
    ],
    act: Act,
) -> SettlementQuestion:
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


ASK: Final = Event(
    ask_question,
    on=ON_LOT,
    at="questions",
    name="ask",
    about="Record a customer's question about a lot, with the answer put together from the books.",
    title="Open a question",
    lead="The answer is put together from the books as they stand now, and a reply is drafted from "
    "it. Nothing is sent.",
    button="Put the answer together",
    done="The question is open, and its answer stands below.",
    section="settlements",
    roles=OFFICE,
    template="reports/question_step.html",
    when="",
    lands="question pk",
    page_at="ask",
    menu=Menu("LOT_ACTIONS", "Open a question", 81, hint="And have it answered from the books"),
)


@recorded_once
def answer_question(
    *,
    question: SettlementQuestion,
    reply: Annotated[str, Asks("The reply as it goes out", at_most=TEXT_MAX, long=20)],
    act: Act,
) -> SettlementQuestion:
    """Keeps the reply as it was sent.

    Raises ConflictError `already_answered`; InvalidError `empty`, `too_long`, `not_text`.
    """
    question.refresh_from_db()
    _check_open(question)
    question.reply = checked_text(reply, field="reply", limit=TEXT_MAX, required=True)
    return _close(question, _STATE.ANSWERED, act)


ANSWER: Final = Event(
    answer_question,
    on=ON_QUESTION,
    at="answer",
    name="question-answer",
    about="Keep the reply as it was sent.",
    title="Reply and close",
    lead="Drafted from the facts; read it, change it, then send it yourself. It is kept as it is.",
    button="Keep it as sent",
    done="The reply is kept, and the question is closed.",
    begins=lambda question: {"reply": question.draft},
    lands=SUBJECT,
    page_at="/questions/<int:pk>/answer",
)


@recorded_once
def withdraw_question(*, question: SettlementQuestion, act: Act) -> SettlementQuestion:
    """The customer asks no more; the record stays. Raises ConflictError `already_answered`."""
    question.refresh_from_db()
    _check_open(question)
    return _close(question, _STATE.WITHDRAWN, act)


WITHDRAW: Final = Event(
    withdraw_question,
    on=ON_QUESTION,
    at="withdraw",
    name="question-withdraw",
    about="The customer asks no more; the record stays.",
    title="Close without a reply",
    lead="The customer asks no more. The question and its answer stay on record.",
    button="Close it",
    done="Closed without a reply.",
    lands=SUBJECT,
    page_at="/questions/<int:pk>/withdraw",
)


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
