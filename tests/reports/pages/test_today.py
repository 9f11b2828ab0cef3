"""Today: what needs somebody, most urgent first, and the holdings by the inventory's figures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from lots import clock, shown
from lots.models import Balance
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.quarantine import quarantine_lot
from lots.services.taking import Take
from reports.queries.attention import attention
from reports.queries.inventory import inventory
from reports.queries.matters import Urgency
from tests.builders import receive, weighed_output


@pytest.fixture
def busy(works: SimpleNamespace, act: Callable[..., Any]) -> SimpleNamespace:
    """A lot on declared content, one set aside, a batch with an excess, a late balance."""
    waiting = receive(works, act(), owner=works.brackwater)
    aside = receive(works, act())
    quarantine_lot(lot=aside, reason="smells of acid", act=act(1))
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(receive(works, act()))]),
        act=act(2),
    )
    over = record_output(batch=batch, output=weighed_output(works, 110), act=act(3))
    Balance.objects.filter(pk=works.balance.pk).update(calibration_due=dt.date(2026, 5, 1))
    return SimpleNamespace(waiting=waiting, aside=aside, batch=batch, over=over)


def test_every_matter_is_named_once_and_leads_to_its_page(
    busy: SimpleNamespace, browser: Client
) -> None:
    answer = browser.get(reverse("today"))
    page = answer.content.decode()
    for text in (
        "on declared content, no assay rules yet",
        "smells of acid",
        "Granulating is open",
        "above the book",
        "calibration was due 1 May 2026",
    ):
        assert text in page, text
    for _, address, _, _ in answer.context["matters"]:
        assert browser.get(address).status_code == 200, address


def test_most_urgent_comes_first(busy: SimpleNamespace) -> None:
    found = attention(clock.now())
    assert [each.urgency for each in found] == sorted(each.urgency for each in found)
    by_kind = {each.kind: each.urgency for each in found}
    assert by_kind["balance"] == Urgency.TODAY
    assert by_kind["assay"] == Urgency.SOON


def test_month_that_is_over_waits_to_be_closed(
    busy: SimpleNamespace, works: SimpleNamespace
) -> None:
    assert "month" not in {each.kind for each in attention(clock.now())}
    june = dt.datetime(2026, 6, 2, tzinfo=dt.UTC)
    with clock.at(june):
        month = next(each for each in attention(june) if each.kind == "month")
    assert (month.about, month.urgency) == ("2026-05", Urgency.TODAY)


def test_holdings_are_those_of_the_inventory(busy: SimpleNamespace, browser: Client) -> None:
    page = browser.get(reverse("today")).content.decode()
    for position in inventory().positions:
        assert shown.grams(position.holdings_ug) in page
        assert shown.grams(position.kept_apart_ug) in page
        assert shown.grams(position.house_ug) in page


def test_today_takes_the_same_queries_for_more_lots(
    busy: SimpleNamespace,
    browser: Client,
    works: SimpleNamespace,
    act: Callable[..., Any],
    django_assert_max_num_queries: Any,
) -> None:
    with django_assert_max_num_queries(40) as before:
        browser.get(reverse("today"))
    for _ in range(6):
        receive(works, act(), owner=works.pellow)
    with django_assert_max_num_queries(len(before)):
        browser.get(reverse("today"))


def test_customer_is_led_to_their_lots(
    works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> None:
    assert browse_as(works.isolde).get(reverse("today")).url == reverse("my-lots")


def test_empty_works_is_told_where_to_begin(browser: Client) -> None:
    page = browser.get(reverse("today")).content.decode()
    assert "Nothing waits for anybody" in page
    assert "Nothing is on the books yet" in page


def test_help_explains_the_figures_and_lists_the_units(browser: Client) -> None:
    page = browser.get(reverse("help")).content.decode()
    assert "How is this figure computed?" in page
    assert "31.1034768" in page
    assert browser.get(reverse("balances")).status_code == 200
