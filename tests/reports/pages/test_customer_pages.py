"""Over every page there is: a customer reads their own and learns nothing of another's."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from types import SimpleNamespace
from typing import Any
from uuid import UUID

import pytest
from django.core.files.base import ContentFile
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import DeliveryNote, Document, ProcessBatch
from lots.services.delivery import Delivered, deliver
from lots.services.documents import Filing, attach_document
from lots.services.process_batches import Inputs, start_batch
from lots.services.taking import Take
from reports.models import AccessRecord, Payment, Settlement, SettlementQuestion, SharedLink
from reports.services.payment import record_payment
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.settlement_question import ask_question
from reports.services.shared_links import share_link
from reports.services.terms import set_terms
from tests.builders import receive, row_counts
from tests.pdf_text import text_of

TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "exchanged": False,
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2"}],
}
# Made for customers, by the names of their addresses.
OPEN = {"lot-answer", "settlement", "account", "my-lots", "tokens", "own-password"}
OPEN |= {"delivery", "delivery-paper", "my-deliveries"}
# Open to strangers too, or only leading elsewhere.
NOBODYS = {"sign-in", "sign-out", "shared", "shared-form", "scanned", "schema", "api-docs", "token"}
NOBODYS |= {"live", "ready", "metrics", "token-revoke", "set-up", "sign-in-once"}
# Nobody's: what an address is filled with that names nothing.
NOTHING = {
    "key": UUID(int=2),
    "subject": "nothing",
    "code": "FD26-9999-9",
    "pk": 10**6,
    "sequence": 10**6,
    "month": "2031-01",
}


def pages(
    resolver: URLResolver | None = None, before: str = ""
) -> Iterator[tuple[str, str, list[str]]]:
    """Every page's address name, address and parameters; the admin and the API left out."""
    for each in (resolver or get_resolver()).url_patterns:
        address = before + str(each.pattern)
        if address.startswith(("admin/", "api/")):
            continue
        if isinstance(each, URLResolver):
            yield from pages(each, address)
        elif isinstance(each, URLPattern):
            yield each.name, address, re.findall(r"<(?:\w+:)?(\w+)>", address)


PAGES = sorted({(name, address, tuple(names)) for name, address, names in pages()})


@pytest.fixture
def two(works, act, settings, tmp_path) -> SimpleNamespace:
    """A lot of each customer in one pool, each with a settlement in force and papers (invented)."""
    settings.MEDIA_ROOT = tmp_path
    office = act(1, who=works.accountant)
    lots, settlements = {}, {}
    for owner in (works.brackwater, works.pellow):
        lot = receive(works, act(0), grams=1000, owner=owner)
        findings = {"Ag": Finding(Decimal(925), Decimal("0.3"))}
        report = AssayReport("gravimetric", works.laboratory, findings)
        record_assay(lot=lot, report=report, act=act(1))
        day = act(0).moment.date()
        set_terms(customer=owner, content=TERMS, valid_from=day, act=office)
        for number, about in enumerate(({"lot": lot}, {"party": owner})):
            name = f"{owner.code}-{number}.pdf"
            file = ContentFile(b"%PDF-1.7 " + name.encode(), name)
            attach_document(file=file, act=office, filing=Filing("identity"), **about)
        lots[owner.code] = lot
    start_batch(
        kind=ProcessBatch.Kind.GRANULATING,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot) for lot in lots.values()]),
        keep_apart=False,
        act=act(1.5),
    )
    for code, lot in lots.items():
        draft = prepare_settlement(lot=lot, kind="final", act=act(2, who=works.accountant))
        settlements[code] = approve_settlement(settlement=draft, act=act(3, who=works.manager))
        record_payment(
            customer=draft.customer,
            direction="received",
            amount=Decimal(1),
            currency="EUR",
            reference=f"paid by {code}",
            act=office,
        )
        ask_question(lot=lot, question=f"asked by {code}", act=act(4, who=works.accountant))
        bar = receive(works, act(0), grams=100, owner=draft.customer)
        deliver(kind="return", party=draft.customer, items=[Delivered(bar)], act=act(4))
        share_link(lot=lot, days=9, act=act(4, who=works.accountant, note=f"for {code}"))
    return SimpleNamespace(works=works, lots=lots, settlements=settlements)


def named(two: SimpleNamespace, owner: str, name: str, parameters: Any) -> dict[str, Any]:
    """An address's parameters filled with what is that customer's."""
    lot, settlement = two.lots[owner].code, two.settlements[owner].code
    code = settlement if name.startswith("settlement") else lot
    if name.startswith("account") or name in {"customer-terms", "terms-write"}:
        code = owner
    if name.startswith("delivery"):
        code = DeliveryNote.objects.get(party__code=owner).code
    if name.startswith("payment"):
        code = Payment.objects.get(customer__code=owner).code
    about = {"question": SettlementQuestion, "link": SharedLink}.get(
        name.split("-", maxsplit=1)[0], Document
    )
    values = {
        "code": code,
        "lot": lot,
        "pk": about.objects.get(lot__code=lot).pk,
        "sequence": 1,
        "month": "2026-05",
        "key": UUID(int=1),
        "subject": "lots",
    }
    return {each: values[each] for each in parameters}


def without_address(answer: Any, address: str) -> bytes:
    """The body without the address asked for and the form's token."""
    text = answer.content.decode().replace(address, "")
    return re.sub(r'name="csrfmiddlewaretoken" value="\w+"', "", text).encode()


def test_every_page_has_a_name_and_every_open_one_is_there():
    names = {name for name, _, _ in PAGES}
    assert None not in names
    assert names >= OPEN | {"shared", "papers", "document", "search"}
    assert len(PAGES) > 70


def test_no_page_of_the_works_opens_to_a_customer_for_anyones_things(two, browse_as):
    isolde = browse_as(two.works.isolde)
    before = row_counts()
    for name, _, parameters in PAGES:
        if name in OPEN | NOBODYS or name == "today":
            continue
        for owner in two.lots:
            address = reverse(name, kwargs=named(two, owner, name, parameters))
            for method in (isolde.get, isolde.post):
                answer = method(address)
                assert answer.status_code == 404, address
    assert row_counts() == before


def test_anothers_thing_is_answered_as_one_that_does_not_exist(two, browse_as):
    isolde = browse_as(two.works.isolde)
    for name, _, parameters in PAGES:
        if not parameters or name in NOBODYS:
            continue
        theirs = reverse(name, kwargs=named(two, "pellow-dane", name, parameters))
        nothing = {**NOTHING, "lot": NOTHING["code"]}
        if name == "account":
            nothing["code"] = "nobody"
        nobodys = reverse(name, kwargs={each: nothing[each] for each in parameters})
        one, other = isolde.get(theirs), isolde.get(nobodys)
        assert one.status_code == other.status_code == 404, theirs
        assert without_address(one, theirs) == without_address(other, nobodys), theirs
    assert not AccessRecord.objects.exists()


def test_a_customers_own_pages_open_and_name_nothing_of_the_other(two, browse_as):
    isolde = browse_as(two.works.isolde)
    secrets = [
        two.lots["pellow-dane"].code,
        two.settlements["pellow-dane"].code,
        Payment.objects.get(customer=two.works.pellow).code,
        DeliveryNote.objects.get(party=two.works.pellow).code,
        "Pellow",
        "pellow",
    ]
    for name in sorted(OPEN):
        (parameters,) = {names for each, _, names in PAGES if each == name}
        address = reverse(name, kwargs=named(two, "brackwater", name, parameters))
        answer = isolde.get(address)
        assert answer.status_code == 200, address
        text = text_of(answer.content) if name == "delivery-paper" else answer.content.decode()
        for secret in secrets:
            assert secret not in text, (address, secret)


def test_todays_page_and_the_search_give_a_customer_no_count_and_no_hit(two, browse_as):
    isolde = browse_as(two.works.isolde)
    today = isolde.get(reverse("today"), follow=True)
    assert "Pellow" not in today.content.decode()
    answers = {
        isolde.get(reverse("search"), {"q": words}).status_code
        for words in ("Pellow", two.lots["pellow-dane"].code, "nothing at all", "")
    }
    assert answers == {404}
    for owner in ("brackwater", "pellow-dane", "nobody"):
        assert isolde.get(reverse("lots"), {"owner": owner}).status_code == 404


def test_an_attachment_is_no_customers_not_even_about_their_own_lot(two, browse_as, api_as):
    for user in (two.works.isolde, two.works.dane):
        for document in Document.objects.all():
            page = browse_as(user).get(reverse("document", args=[document.pk]))
            file = api_as(user).get(f"/api/v1/documents/{document.pk}/file/")
            assert (page.status_code, file.status_code) == (404, 403)


def test_a_customers_draft_is_not_theirs_to_see(two, browse_as):
    settlement = two.settlements["brackwater"]
    Settlement.objects.filter(pk=settlement.pk).update(state="withdrawn")
    address = reverse("settlement", args=[settlement.code])
    assert browse_as(two.works.isolde).get(address).status_code == 404


def test_a_customers_delivery_notes_are_read_on_record_without_the_works_own_figures(
    two, browse_as
):
    isolde = browse_as(two.works.isolde)
    note = DeliveryNote.objects.get(party=two.works.brackwater)
    listed = isolde.get(reverse("my-deliveries")).content.decode()
    assert reverse("delivery", args=[note.code]) in listed
    page = isolde.get(reverse("delivery", args=[note.code])).content.decode()
    assert note.lines.get().lot.code in page
    assert "100.000 g" in page
    for inner in ("before and after", "Take it back", "/movements/", "/lots/"):
        assert inner not in page, inner
    isolde.get(reverse("delivery-paper", args=[note.code]))
    records = AccessRecord.objects.order_by("id").values_list("what", "reference", "form")
    assert list(records) == [
        ("deliveries", "brackwater", "page"),
        ("delivery", note.code, "page"),
        ("delivery", note.code, "pdf"),
    ]
    log = browse_as(two.works.accountant).get(reverse("read-log")).content.decode()
    assert reverse("delivery", args=[note.code]) in log


def test_a_customer_is_offered_no_link_that_does_not_open(two, browse_as):
    isolde = browse_as(two.works.isolde)
    page = isolde.get(reverse("my-lots")).content.decode()
    links = set(re.findall(r'href="(/(?!static/)[^"]*)"', page))
    assert reverse("my-deliveries") in links
    assert {link: isolde.get(link, follow=True).status_code for link in links} == dict.fromkeys(
        links, 200
    )
    assert 'role="search"' not in page
