"""After a step: where it leads, the line that says what was recorded, and the way back."""

from __future__ import annotations

from collections.abc import Callable
from html import unescape
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from lots.ledger.holdings import holding
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Lot, Movement, Weighing
from lots.pages.recorded import AT_ONCE
from tests.builders import receive
from tests.sending import send


@pytest.fixture
def lot(works: SimpleNamespace, act: Callable[..., Any]) -> Lot:
    return receive(works, act(), owner=works.brackwater)


def told(page: Any) -> str:
    """The line of what was recorded, as it stands in the page."""
    return unescape(page.content.decode()).partition('role="status"><li')[2].partition("</li>")[0]


def way_back(page: Any) -> str:
    return told(page).rpartition('<a href="')[2].partition('">Take it back')[0]


def test_a_step_leads_to_its_lot_and_says_what_was_recorded(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    shelf = works.places["melt-bench"].pk
    page = send(browser, "split", [lot.code], part_1="30 g", part_1_place=shelf)
    part = Lot.objects.exclude(pk=lot.pk).get()
    assert page.request["PATH_INFO"] == reverse("lot", args=[lot.code])
    split = Movement.objects.get(kind="split")
    assert f"{part.code}</a> 30.000 g" in told(page)
    assert reverse("movement", args=[split.sequence]) in told(page)


def test_a_lot_that_was_used_up_is_followed_to_what_it_became(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    page = send(
        browser, "melt", [lot.code],
        form="granules", gross="99 g", balance=works.balance.pk,
        place=works.places["melt-bench"].pk,
    )  # fmt: skip
    made = Lot.objects.get(form="granules")
    assert page.request["PATH_INFO"] == reverse("lot", args=[made.code])
    assert "Take a sample" in page.content.decode()


def test_own_movement_is_taken_back_with_one_confirmation(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    page = send(browser, "write-off", [lot.code], cause="spill", stage="store", mass="30 g")
    assert holding(lot).mass_ug == 70_000_000
    form = browser.get(way_back(page).partition("#")[0]).context["form"]
    sent = {name: form[name].value() for name in ("key", "reason")}
    browser.post(way_back(page).partition("?")[0], sent)
    assert holding(lot).mass_ug == 100_000_000
    assert Movement.objects.get(kind="reversal").note == AT_ONCE


def test_own_weighing_is_withdrawn_with_one_confirmation(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    page = send(
        browser, "weigh", [lot.code], gross="99.5 g", balance=works.balance.pk, purpose="check"
    )
    weighing = Weighing.objects.get(purpose="check")
    address = way_back(page)
    assert address.startswith(reverse("withdraw-measurement", args=[weighing.pk]))
    form = browser.get(address).context["form"]
    browser.post(address, {name: form[name].value() for name in ("key", "reason")})
    weighing.refresh_from_db()
    assert weighing.withdrawal.reason == AT_ONCE


def test_a_delivery_offers_no_quick_way_back(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    page = send(browser, "return", [lot.code], customer=works.brackwater.pk)
    assert "What was recorded" in told(page)
    assert "Take it back" not in told(page)


def test_what_only_others_may_do_is_said_and_not_offered(
    works: SimpleNamespace, act: Callable[..., Any], browse_as: Callable[[object], Client], lot: Lot
) -> None:
    found = {"Ag": Finding(920, 1)}
    Lot.objects.filter(pk=lot.pk).update(form="granules")
    report = AssayReport("fire_assay", works.laboratory, found)
    assay = record_assay(lot=lot, report=report, act=act(1))
    rule = reverse("rule-assay", args=[assay.pk])
    page = browse_as(works.operator).get(reverse("lot", args=[lot.code])).content.decode()
    assert rule not in page
    assert "An accountant, an assayer or a manager may." in page
    page = browse_as(works.assayer).get(reverse("lot", args=[lot.code])).content.decode()
    assert f'class="button primary" href="{rule}"' in page
