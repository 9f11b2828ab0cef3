"""What goes wrong between a bench and a server: nothing is lost and nothing counts twice."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import TYPE_CHECKING

from lots.models import Lot, Movement
from tests.browser.test_chain import choose, done

if TYPE_CHECKING:
    from playwright.sync_api import Page


def fill_receipt(page: Page, gross: str = "100 g") -> None:
    page.goto("/receive/")
    choose(page, "Who brought it", "Isolde Brackwater")
    page.get_by_label("Gross").fill(gross)
    choose(page, "Balance", "Bench balance")
    choose(page, "Where it is put", "Feed shelf")
    page.get_by_label("Silver, ‰").fill("925")


def press(page: Page) -> None:
    page.locator("main").get_by_role("button", name="Receive it").click()
    page.wait_for_load_state()


def test_double_click_is_one_receipt(open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    fill_receipt(page)
    page.locator("main").get_by_role("button", name="Receive it").dblclick()
    page.wait_for_url("**/lots/FD26-0001-*/")
    assert Lot.objects.count() == 1


def test_back_button_and_the_same_again_is_one_receipt(open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    fill_receipt(page)
    press(page)
    page.wait_for_url("**/lots/FD26-0001-*/")
    page.go_back()
    press(page)
    page.wait_for_url("**/lots/FD26-0001-*/")
    assert Lot.objects.count() == 1


def test_back_button_and_another_weight_is_told_apart(open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    fill_receipt(page)
    press(page)
    page.go_back()
    assert page.get_by_label("Gross").input_value() == "100 g"
    page.get_by_label("Gross").fill("101 g")
    press(page)
    assert "recorded before, with other entries" in page.locator("main").inner_text()
    assert Lot.objects.count() == 1
    press(page)
    page.wait_for_url("**/lots/FD26-0002-*/")
    assert Lot.objects.count() == 2


def test_two_tabs_are_two_receipts(open_as: Callable[..., Page]) -> None:
    first = open_as("operator")
    second = first.context.new_page()
    first.goto("/receive/")
    fill_receipt(second, "55 g")
    second.evaluate("localStorage.clear()")
    fill_receipt(first, "66 g")
    press(second)
    press(first)
    assert Lot.objects.count() == 2


def test_what_was_typed_outlives_a_lost_connection(open_as: Callable[..., Page]) -> None:
    page = open_as("operator", "phone")
    fill_receipt(page)
    page.context.set_offline(True)
    page.locator("main").get_by_role("button", name="Receive it").click()
    page.get_by_text("No connection").wait_for()
    assert Lot.objects.count() == 0
    page.context.set_offline(False)
    page.reload()
    page.get_by_text("Filled in with what was typed here before").wait_for()
    assert page.get_by_label("Gross").input_value() == "100 g"
    press(page)
    page.wait_for_url("**/lots/FD26-0001-*/")
    page.goto("/receive/")
    assert page.get_by_label("Gross").input_value() == ""
    assert Lot.objects.count() == 1


def test_what_was_typed_outlives_an_ended_session(open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    fill_receipt(page)
    page.context.clear_cookies()
    press(page)
    assert Lot.objects.count() == 0
    page.goto("/receive/")
    page.get_by_label("Username").fill("operator")
    page.get_by_label("Password").fill("silver-in-the-cell")
    page.locator("main").get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/receive/")
    assert page.get_by_label("Gross").input_value() == "100 g"
    press(page)
    page.wait_for_url("**/lots/FD26-0001-*/")
    assert Lot.objects.count() == 1


def test_what_was_just_received_is_taken_back_with_one_confirmation(
    open_as: Callable[..., Page], works: SimpleNamespace
) -> None:
    page = open_as("operator", "phone")
    fill_receipt(page)
    press(page)
    page.get_by_role("link", name="Take it back").click()
    words = done(page, "Reverse this movement")
    assert "This takes back" in words
    assert Movement.objects.filter(reverses__isnull=False).count() == 1


def test_rows_are_added_for_one_more_lot(open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    page.goto("/blend/")
    before = page.get_by_label("Lot", exact=True).count()
    page.get_by_role("button", name="One more lot").click()
    assert page.get_by_label("Lot", exact=True).count() == before + 1


def test_form_begun_on_a_phone_is_finished_in_the_office(open_as: Callable[..., Page]) -> None:
    office = open_as("operator")
    fill_receipt(office, "7 g")
    phone = open_as("operator", "phone")
    fill_receipt(phone, "100 g")
    phone.locator("main").get_by_role("button", name="Keep it for later").click()
    phone.get_by_role("link", name="Receive a lot").last.wait_for()
    assert Lot.objects.count() == 0
    office.goto("/")
    office.get_by_role("heading", name="Begun and kept").wait_for()
    office.goto("/receive/")
    assert office.get_by_label("Gross").input_value() == "100"
    assert office.get_by_label("Unit").first.input_value() == "g"
    press(office)
    office.wait_for_url("**/lots/FD26-0001-*/")
    phone.goto("/receive/")
    assert phone.get_by_label("Gross").input_value() == ""
    assert Lot.objects.count() == 1
