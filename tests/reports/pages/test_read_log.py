"""The office sees who read which customer's data, by customer, person and day."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from lots import clock
from lots.pages.lists import ROWS_A_PAGE
from reports.models import AccessRecord
from reports.services.access_records import record_access
from reports.services.shared_links import read_link, share_link
from tests.builders import receive
from tests.conftest import MORNING


@pytest.fixture
def office(works, browse_as):
    return browse_as(works.accountant)


def read(customer: Any, user: Any, *, day: int = 0, hours: int = 0, reference: str = "") -> None:
    with clock.at(MORNING + dt.timedelta(days=day, hours=hours)):
        record_access(
            customer=customer,
            what=AccessRecord.What.ACCOUNT,
            reference=reference or customer.code,
            form="page",
            user=user,
        )


def shown(office, **asked: Any) -> list[tuple[str, str]]:
    answer = office.get(reverse("read-log"), asked)
    assert answer.status_code == 200
    return [(each.customer.code, str(each.user)) for each, _ in answer.context["rows"]]


def test_readings_are_listed_latest_first_and_narrowed(works, office):
    read(works.brackwater, works.operator, day=-2)
    read(works.pellow, works.operator, day=-1)
    read(works.brackwater, works.manager, day=-1)
    first, second, third = (
        ("brackwater", str(works.manager)),
        ("pellow-dane", str(works.operator)),
        ("brackwater", str(works.operator)),
    )
    assert shown(office) == [first, second, third]
    assert shown(office, customer="pellow-dane") == [second]
    assert shown(office, person=works.operator.username) == [second, third]
    assert shown(office, day="2026-05-03") == [first, second]
    assert shown(office, day="2026-05-02", customer="pellow-dane") == []


def test_a_day_is_the_works_own(works, office, keep_time_in):
    keep_time_in("Pacific/Auckland")
    read(works.pellow, works.operator)  # nine in the evening there
    read(works.brackwater, works.operator, hours=5)  # two in the next morning there
    assert [code for code, _ in shown(office, day="2026-05-04")] == ["pellow-dane"]
    assert [code for code, _ in shown(office, day="2026-05-05")] == ["brackwater"]


def test_what_a_link_showed_leads_to_it(works, office, act):
    lot = receive(works, act(0), owner=works.pellow)
    link = share_link(lot=lot, days=1, act=act(1, who=works.accountant))
    read_link(link.token, "pdf")
    read(works.pellow, works.operator)
    page = office.get(reverse("read-log"), {"link": link.pk}).content.decode()
    for text in (f"link {link.pk}</a> made by {works.accountant}", lot.code, "PDF"):
        assert text in page
    assert len(shown(office, link=link.pk)) == 1
    assert f"{reverse('read-log')}?link={link.pk}" in office.get(reverse("links")).content.decode()


@pytest.mark.parametrize(
    "asked", [{"day": "9999-12-31"}, {"day": "x"}, {"person": "nobody"}, {"customer": "tern-quay"}]
)
def test_a_filter_that_cannot_be_shows_nothing(works, office, asked):
    read(works.pellow, works.operator)
    assert shown(office, **asked) == []


def test_pages_and_queries_stay_the_same_however_much_was_read(works, office):
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            shown(office)
        return len(seen)

    read(works.pellow, works.operator)
    queries()
    few = queries()
    for number in range(ROWS_A_PAGE):
        read(works.pellow, works.operator, reference=f"R-{number}")
    assert queries() == few
    assert len(shown(office)) == ROWS_A_PAGE
    assert len(shown(office, page=2)) == 1


def test_only_the_office_sees_it_and_finds_it_on_the_bench(works, browse_as, office):
    assert reverse("read-log") in office.get(reverse("bench")).content.decode()
    operator = browse_as(works.operator)
    assert operator.get(reverse("read-log")).status_code == 403
    assert reverse("read-log") not in operator.get(reverse("bench")).content.decode()
    customer = browse_as(works.isolde)
    assert customer.get(reverse("read-log")).status_code == 404


def test_lists_and_events_of_one_customers_lots_are_readings_of_their_data(
    works, browse_as, api_as, act
):
    receive(works, act(0), owner=works.pellow)
    browser, program = browse_as(works.operator), api_as(works.operator)
    of_pellow = {"owner": "pellow-dane"}
    for narrowed in ({}, {"owner": "tern-quay"}, {"owner": "brackwater"}, {"form": "bar"}):
        browser.get(reverse("lots"), narrowed)
        program.get("/api/v1/lots/", narrowed)
    program.get("/api/v1/events/")
    api_as(works.isolde).get("/api/v1/events/")
    assert not AccessRecord.objects.exists()
    browser.get(reverse("lots"), {**of_pellow, "received_from": "pellow-dane"})
    program.get("/api/v1/lots/", {"received_from": "pellow-dane"})
    for form in ("json", "csv"):
        b"".join(program.get("/api/v1/reports/lot-sheets/", {**of_pellow, "as": form}))
    dane = api_as(works.dane)
    dane.get("/api/v1/events/")
    dane.get("/api/v1/events/", {"after": 1})
    b"".join(dane.get("/api/v1/events/", {"lines": "true"}))
    kept = AccessRecord.objects.order_by("id").values_list("user__username", "what", "form")
    assert list(kept) == [
        ("operator", "lots", "page"),
        ("operator", "lots", "json"),
        ("operator", "lots", "json"),
        ("operator", "lots", "csv"),
        ("dane", "events", "json"),
        ("dane", "events", "json"),
    ]
    assert {each.customer for each in AccessRecord.objects.all()} == {works.pellow}
