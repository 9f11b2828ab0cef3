"""A customer's question by its pages: opened, answered from the books, closed."""

from __future__ import annotations

import datetime as dt

from django.urls import reverse

from lots import clock
from reports.models import SettlementQuestion
from tests.builders import row_counts


def ask(office, lot, text="Why 900 and not 903?", key="ask"):
    return office.post(reverse("ask", args=[lot.code]), {"key": key, "question": text}, follow=True)


def test_a_question_opens_with_its_answer_and_a_drafted_reply(works, browse_as, disputed, in_force):
    office = browse_as(works.accountant)
    page = ask(office, disputed).content.decode()
    question = SettlementQuestion.objects.get()
    for said in (
        "Why 900 and not 903?",
        "Receipt",
        "1\u202f000.000 g",
        "900 ± 0.5 ‰",
        "903 ± 0.5 ‰",
        "900.8 ± 0.5 ‰",
        "1.3859 ‰",
        "they differ by more",
        "the result of the party nearer to the umpire&#x27;s settles",
        "Losses and differences together",
        "Silver: the way from",
        in_force.code,
        "To Isolde Brackwater",
        "contract and local law decide",
    ):
        assert said in page, said
    ask(office, disputed)
    assert SettlementQuestion.objects.count() == 1
    reply = reverse("question-answer", args=[question.pk])
    assert question.draft in office.get(reply).context["form"]["reply"].value()
    closed = office.post(reply, {"key": "reply", "reply": "The umpire decided."}, follow=True)
    assert "The umpire decided." in closed.content.decode()
    again = office.post(reply, {"key": "again", "reply": "Once more."})
    assert (again.status_code, again.context["form"].has_error("__all__")) == (409, True)
    question.refresh_from_db()
    assert (question.state, question.reply) == ("answered", "The umpire decided.")


def test_the_list_has_the_open_ones_with_their_age_and_the_closed_ones(works, browse_as, disputed):
    office = browse_as(works.accountant)
    for number in (1, 2):
        ask(office, disputed, f"Question number {number}?", key=f"ask-{number}")
    first = SettlementQuestion.objects.order_by("pk").first()
    address = reverse("question-withdraw", args=[first.pk])
    assert office.post(address, {"key": "close"}).status_code == 302
    with clock.at(first.asked_at + dt.timedelta(days=8)):
        page = browse_as(works.operator).get(reverse("questions")).content.decode()
        today = browse_as(works.operator).get(reverse("today")).content.decode()
    still_open, closed = page.split("<h2>Closed</h2>")
    assert "Question number 2?" in still_open
    assert "8 days" in still_open
    assert "Question number 1?" in closed
    assert "Withdrawn" in closed
    assert "Isolde Brackwater asks about" in today


def test_questions_are_opened_and_closed_by_the_office_alone(works, browse_as, disputed):
    ask(browse_as(works.accountant), disputed)
    question = SettlementQuestion.objects.get()
    before = row_counts()
    for who, status in ((works.operator, 403), (works.isolde, 404), (works.dane, 404)):
        browser = browse_as(who)
        for name, given in (("ask", disputed.code), ("question-answer", question.pk)):
            sent = {"key": "x", "question": "?", "reply": "x"}
            assert browser.post(reverse(name, args=[given]), sent).status_code == status
    assert browse_as(works.isolde).get(reverse("questions")).status_code == 404
    assert row_counts() == before
