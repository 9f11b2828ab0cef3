"""A question about a lot: the facts put together, a reply drafted, and what would be if."""

from __future__ import annotations

from decimal import Decimal

import pytest

from config.refusals import ConflictError, InvalidError
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.weighings import Weight
from lots.models import Lot, Movement
from lots.services.receipt import Receipt, receive_lot
from reports.models import Settlement, SettlementQuestion
from reports.queries.lot.exchange_agreement import exchange_agreements
from reports.queries.lot.what_if import Supposed, what_if
from reports.services.settlement import prepare_settlement
from reports.services.settlement_question import (
    answer_question,
    ask_question,
    withdraw_question,
)
from reports.services.terms import set_terms

TERMS = {
    "currency": "EUR",
    "metals": [
        {
            "metal": "Ag",
            "splitting_limit_ppt": "2",
            "umpire_rule": "nearer",
            "refining_charge_per_ozt": "0.5",
        }
    ],
    "umpire_fee": "80",
}


@pytest.fixture
def lot(works, act) -> Lot:
    """A lot of which the house found 900.0 and the customer 903.0, each +/- 0.5; umpire 900.8."""
    receipt = Receipt(
        party=works.brackwater,
        owner=works.brackwater,
        form=Lot.Form.FEED,
        place=works.places["feed-shelf"],
        weight=Weight(1_000_000_000, 0, works.balance),
        declared={"Ag": Decimal(900)},
    )
    lot = receive_lot(receipt=receipt, act=act(0))
    for side, silver in (("house", "900"), ("counterparty", "903"), ("umpire", "900.8")):
        findings = {"Ag": Finding(Decimal(silver), Decimal("0.5"))}
        report = AssayReport("gravimetric", works.laboratory, findings, side=side)
        record_assay(lot=lot, report=report, act=act(1))
    return lot


@pytest.fixture
def draft(lot, works, act) -> Settlement:
    set_terms(customer=works.brackwater, content=TERMS, act=act(0))
    return prepare_settlement(lot=lot, kind="final", act=act(2))


def test_the_answer_holds_the_facts_and_a_reply_is_drafted_from_them(lot, act):
    question = ask_question(lot=lot, question="Why 900 and not 903?", act=act(3))
    agreement = question.answer["agreements"][0]["agreement"]
    # 1.96 sqrt(0.5^2 + 0.5^2) = 1.3859: a difference of 3 is more than that.
    assert agreement == {
        "difference_ppt": "3.000000",
        "allowed_ppt": "1.3859",
        "coverage_factor": 1.96,
        "within": False,
    }
    assert question.answer["lot"]["metals"][0]["entered_ug"] == 900_000_000
    for fact in (
        "You asked: Why 900 and not 903?",
        "our result 900 ‰ (parts per thousand), yours 903 ‰",
        "more than the uncertainties of the two methods allow (1.3859 ‰ at 95 %)",
        "The umpire found 900.8 ‰.",
        "still in the lot as received 900.000 g (28.936 ozt)",
        "1\u202f000.000 g on Bench balance",
        "contract and local law decide",
        "Tern Quay Refining",
    ):
        assert fact in question.draft


def test_results_within_their_uncertainties_are_said_to_agree(lot, works, act):
    findings = {"Ag": Finding(Decimal("901.2"), Decimal("0.5"))}
    report = AssayReport("gravimetric", works.laboratory, findings, side="counterparty")
    record_assay(lot=lot, report=report, act=act(2))
    agreement = exchange_agreements(lot)[0]
    assert agreement.agreement.within
    assert agreement.counterparty.value == Decimal("901.2")


def test_a_question_is_answered_once(lot, act, works):
    question = ask_question(lot=lot, question="Why?", act=act(3))
    with pytest.raises(InvalidError) as empty:
        answer_question(question=question, reply=" ", act=act(3))
    assert (empty.value.code, empty.value.field) == ("empty", "reply")
    answered = answer_question(
        question=question, reply="Because the umpire decided.", act=act(4, who=works.manager)
    )
    assert (answered.state, answered.answered_by) == ("answered", works.manager)
    for again in (
        lambda: answer_question(question=question, reply="Again.", act=act(5)),
        lambda: withdraw_question(question=question, act=act(5)),
    ):
        with pytest.raises(ConflictError) as refused:
            again()
        assert (refused.value.code, refused.value.field) == ("already_answered", "question")
    question.refresh_from_db()
    assert question.reply == "Because the umpire decided."


def test_an_empty_question_and_a_house_lot_are_refused(lot, works, act):
    with pytest.raises(InvalidError) as refused:
        ask_question(lot=lot, question="  ", act=act(3))
    assert (refused.value.code, refused.value.field) == ("empty", "question")
    Lot.objects.filter(pk=lot.pk).update(owner=works.house, received_from=None)
    with pytest.raises(InvalidError) as refused_lot:
        ask_question(lot=lot, question="Whose?", act=act(3))
    assert refused_lot.value.code == "not_a_customers_lot"
    assert not SettlementQuestion.objects.exists()


def test_what_if_reckons_again_and_writes_nothing(draft):
    before = (Settlement.objects.count(), Movement.objects.count())
    # The umpire nearer to the customer: their result settles and the house pays.
    answer = what_if(draft, Supposed(results={"Ag": {"umpire": "902.9"}}))
    changed = {change.key: change.difference for change in answer.changes}
    assert changed["Ag_agreed"] == Decimal(3)
    assert changed["umpire_fee"] == Decimal(80)
    assert answer.before.line("total").value == draft.total
    assert answer.after.total == Decimal("-14.52")
    assert (Settlement.objects.count(), Movement.objects.count()) == before
    draft.refresh_from_db()
    assert draft.total == Decimal("-94.47")


def test_what_if_takes_another_price_weight_and_terms(draft):
    supposed = Supposed(
        prices={"Ag": "30"}, weight_g="2000", terms={"settle_in": "money", "umpire_fee": "0"}
    )
    after = what_if(draft, supposed).after
    assert after.line("weight").value == 2000
    assert after.line("Ag_value").value == Decimal("1736.13")
    assert "umpire_fee" not in {line.key for line in after.lines}


@pytest.mark.parametrize(
    ("supposed", "code", "field"),
    [
        ({"results": {"Au": {"house": "1"}}}, "unknown_metal", "results.Au"),
        ({"results": {"Ag": {"friend": "1"}}}, "unknown_choice", "results.Ag.friend"),
        ({"results": {"Ag": {"house": "1001"}}}, "fineness_out_of_range", "results.Ag.house"),
        ({"prices": {"Ag": "0"}}, "too_small", "prices.Ag"),
        ({"weight_g": "NaN"}, "not_a_number", "weight_g"),
        ({"terms": {"currency": "pounds"}}, "not_a_currency", "terms.currency"),
    ],
)
def test_what_if_refuses_what_cannot_be(draft, supposed, code, field):
    with pytest.raises(InvalidError) as refused:
        what_if(draft, Supposed(**supposed))
    assert (refused.value.code, refused.value.field) == (code, field)
