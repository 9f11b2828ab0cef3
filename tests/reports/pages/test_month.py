"""The month's page shows the query's figures; its close goes through by forms and two people."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from lots import display
from lots.models import BooksMonth, Lot
from reports.models import CountAdjustment, CountLine, CountSheet, MonthEnd
from reports.pages.month import waterfall
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import Period
from tests.builders import receive, row_counts
from tests.sending import send


@pytest.fixture
def accountant(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    return browse_as(works.accountant)


@pytest.fixture
def manager(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    return browse_as(works.manager)


def test_month_page_shows_every_figure_of_the_statement(
    in_june: SimpleNamespace, april: Period, accountant: Client
) -> None:
    page = accountant.get(reverse("month", args=["2026-04"])).content.decode()
    for metal in month_statement(april).metals:
        assert display.grams(metal.opening_ug) in page
        assert display.grams(metal.closing_ug) in page
    silver = next(each for each in month_statement(april).metals if each.metal == "Ag")
    for line in silver.lines:
        if line.change_ug:
            assert display.grams(line.change_ug).removeprefix(display.MINUS) in page
    assert "book less physical" in page


def test_waterfall_of_the_month_leads_from_opening_to_closing(
    in_june: SimpleNamespace, april: Period
) -> None:
    silver = next(each for each in month_statement(april).metals if each.metal == "Ag")
    steps = waterfall(silver, "2026-04").steps
    changes = sum(step.value for step in steps if not step.is_total)
    assert steps[0].value + changes == pytest.approx(steps[-1].value)


def test_month_draws_the_metal_asked_for_and_silver_unasked(
    in_june: SimpleNamespace, accountant: Client
) -> None:
    address = reverse("month", args=["2026-04"])
    assert "Silver in 2026-04, from area to area" in accountant.get(address).content.decode()
    copper = accountant.get(address, {"metal": "Cu"}).content.decode()
    assert "Copper in 2026-04, from area to area" in copper


def test_month_is_counted_prepared_approved_and_closed_by_forms(
    in_june: SimpleNamespace, accountant: Client, manager: Client, works: SimpleNamespace
) -> None:
    send(accountant, "month-begin", ["2026-03"])
    send(accountant, "month-prepare", ["2026-03"])
    send(manager, "month-approve", ["2026-03"])
    send(accountant, "month-begin", ["2026-04"])
    send(accountant, "sheet-open", ["2026-04"], place=works.places["fine-safe"].pk)
    sheet = CountSheet.objects.get()
    page = accountant.get(reverse("count-sheet", args=[sheet.code])).content.decode()
    assert in_june.crystal.code in page
    for line in CountLine.objects.select_related("lot"):
        send(
            accountant, "sheet-count", [sheet.code, line.lot.code],
            gross="1994.9 g" if line.lot == in_june.crystal else "797.3 g",
            balance=works.balance.pk,
        )  # fmt: skip
    send(
        accountant, "sheet-propose", [sheet.code],
        lot=in_june.crystal.code, cause="spillage",
    )  # fmt: skip
    alone = send(accountant, "sheet-approve", [sheet.code], 403)
    assert "same_person" in alone.context["form"].errors.as_json()
    send(manager, "sheet-approve", [sheet.code])
    assert CountAdjustment.objects.get().state == "posted"
    send(accountant, "month-prepare", ["2026-04"])
    alone = send(accountant, "month-approve", ["2026-04"], 403)
    assert "same_person" in alone.context["form"].errors.as_json()
    send(manager, "month-approve", ["2026-04"])
    early = send(manager, "month-close", ["2026-04"], 409)
    assert "earlier_month_open" in early.context["form"].errors.as_json()
    send(manager, "month-close", ["2026-03"])
    send(manager, "month-close", ["2026-04"])
    assert set(MonthEnd.objects.values_list("state", flat=True)) == {"closed"}
    assert BooksMonth.objects.get(first_day="2026-04-01").state == "closed"
    page = manager.get(reverse("month", args=["2026-04"])).content.decode()
    assert "Open it again" in page
    send(manager, "month-reopen", ["2026-04"], reason="a late certificate")
    april = MonthEnd.objects.get(books_month__first_day="2026-04-01")
    assert april.state != "closed"


def test_counter_does_not_see_the_book(
    in_june: SimpleNamespace,
    accountant: Client,
    browser: Client,
    works: SimpleNamespace,
) -> None:
    send(accountant, "month-begin", ["2026-04"])
    send(accountant, "sheet-open", ["2026-04"], place=works.places["fine-safe"].pk)
    sheet = CountSheet.objects.get()
    book = display.grams(1_994_999_999)
    counted = send(
        browser, "sheet-count", [sheet.code, in_june.crystal.code],
        gross="1990 g", balance=works.balance.pk,
    )  # fmt: skip
    page = counted.content.decode()
    assert "1\u202f990.000 g" in page
    assert book not in page
    assert book in accountant.get(counted.request["PATH_INFO"]).content.decode()


def test_second_count_is_a_recount_however_often_it_is_sent(
    in_june: SimpleNamespace, accountant: Client, works: SimpleNamespace
) -> None:
    send(accountant, "month-begin", ["2026-04"])
    send(accountant, "sheet-open", ["2026-04"], place=works.places["fine-safe"].pk)
    sheet = CountSheet.objects.get()
    args = [sheet.code, in_june.crystal.code]
    send(accountant, "sheet-count", args, gross="1990 g", balance=works.balance.pk)
    address = reverse("sheet-count", args=args)
    form = accountant.get(address).context["form"]
    sent = {field.name: field.value() or "" for field in form.hidden_fields()}
    sent |= {"gross": "1994.9 g", "balance": works.balance.pk}
    assert accountant.post(address, sent).status_code == 302
    counts = row_counts()
    assert accountant.post(address, sent).status_code == 302
    assert row_counts() == counts
    assert CountLine.objects.filter(lot=in_june.crystal).count() == 2


def test_count_of_nothing_is_refused(
    in_june: SimpleNamespace, accountant: Client, works: SimpleNamespace
) -> None:
    send(accountant, "month-begin", ["2026-04"])
    send(accountant, "sheet-open", ["2026-04"], place=works.places["fine-safe"].pk)
    sheet = CountSheet.objects.get()
    counts = row_counts()
    answer = send(accountant, "sheet-count", [sheet.code, in_june.crystal.code], 400)
    assert "one_count_needed" in answer.context["form"].errors.as_json()
    assert row_counts() == counts


def test_office_steps_are_for_the_office(in_june: SimpleNamespace, browser: Client) -> None:
    assert browser.get(reverse("month-begin", args=["2026-04"])).status_code == 403
    assert browser.get(reverse("month", args=["2026-04"])).status_code == 200
    assert browser.get(reverse("month", args=["2026-13"])).status_code == 404


def test_losses_page_shows_the_losses(in_june: SimpleNamespace, accountant: Client) -> None:
    page = accountant.get(reverse("losses")).content.decode()
    assert "5.000 g" in page
    assert "spill" in page


def test_month_takes_the_same_queries_for_more_lots(
    in_june: SimpleNamespace,
    accountant: Client,
    act: Callable[..., Any],
    works: SimpleNamespace,
    django_assert_max_num_queries: Any,
) -> None:
    address = reverse("month", args=["2026-05"])
    with django_assert_max_num_queries(45) as before:
        accountant.get(address)
    for _ in range(5):
        receive(works, act(), owner=works.pellow)
    with django_assert_max_num_queries(len(before)):
        accountant.get(address)
    assert Lot.objects.count() > 5
