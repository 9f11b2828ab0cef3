"""Read by machine and hand: no serious finding of axe, no page wider than a phone, keys enough."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from tests.browser.conftest import SIZES
from tests.browser.test_chain import north  # noqa: F401 - a fixture
from tests.builders import receive

if TYPE_CHECKING:
    from playwright.sync_api import Page

PAGES = (
    "/",
    "/bench/",
    "/receive/",
    "/blend/",
    "/lots/",
    "/lots/{lot}/",
    "/lots/{lot}/assay/",
    "/lots/{lot}/split/",
    "/lots/{lot}/label/",
    "/lots/{lot}/answer/",
    "/cells/",
    "/cells/north/charge/",
    "/slimes/",
    "/processes/",
    "/processes/start/",
    "/movements/",
    "/movements/1/",
    "/months/",
    "/months/2026-05/",
    "/settlements/",
    "/questions/",
    "/lots/{lot}/ask/",
    "/lots/{lot}/share/",
    "/links/",
    "/payments/",
    "/accounts/brackwater/",
    "/accounts/brackwater/pay/",
    "/prices/record/",
    "/terms/",
    "/terms/brackwater/write/",
    "/cover/",
    "/bars/",
    "/lots/{lot}/bar/",
    "/lots/{lot}/impurities/",
    "/lots/{lot}/grade/",
    "/deliver/?lot={lot}",
    "/deliveries/",
    "/papers/",
    "/losses/",
    "/help/",
    "/balances/",
    "/search/?q=brackwater",
    "/no-such-page/",
)


@pytest.fixture
def lot(north: Any, works: SimpleNamespace, act: Callable[..., Any]) -> Any:  # noqa: F811
    return receive(works, act(), owner=works.brackwater)


@pytest.mark.parametrize(("size", "scheme"), [("desktop", "light"), ("phone", "dark")])
def test_no_serious_finding_and_no_sideways_scrolling(
    lot: Any, open_as: Callable[..., Page], size: str, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - with playwright

    page = open_as("manager", size, scheme)
    found = []
    for address in PAGES:
        page.goto(address.format(lot=lot.code))
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > SIZES[size][0]:
            found.append((address, "wider than the screen", width))
        results = Axe().run(
            page,
            options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
        )
        found += [
            (address, each["id"], [node["html"][:200] for node in each["nodes"][:3]])
            for each in results.response["violations"]
            if each["impact"] in {"serious", "critical"}
        ]
    assert found == []


def test_page_is_reached_and_sent_by_keyboard_alone(lot: Any, open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    page.goto(f"/lots/{lot.code}/weigh/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.get_by_label("Gross").focus()
    page.keyboard.type("99.9 g")
    page.get_by_label("Balance").focus()
    page.keyboard.type("Bench")
    page.get_by_label("Gross").focus()
    page.keyboard.press("Enter")
    page.wait_for_url(lambda address: "/weigh/" not in address)
    assert "99.900 g" in page.locator("main").inner_text()


def test_refused_form_takes_the_reader_to_the_problem(open_as: Callable[..., Page]) -> None:
    page = open_as("operator")
    page.goto("/receive/")
    page.locator("main").get_by_role("button", name="Receive it").click()
    page.wait_for_load_state()
    assert page.evaluate("document.activeElement.getAttribute('role')") == "alert"
    page.get_by_role("link", name="Gross", exact=True).click()
    assert page.evaluate("document.activeElement.name") == "gross"


def test_every_target_is_large_enough_on_a_phone(lot: Any, open_as: Callable[..., Page]) -> None:
    page = open_as("operator", "phone")
    small = []
    for address in ("/receive/", "/bench/", f"/lots/{lot.code}/weigh/"):
        page.goto(address)
        small += page.evaluate(
            """() => [...document.querySelectorAll('button, input, select, .button, .steps a')]
                .filter(each => each.offsetParent && each.type !== 'hidden')
                .filter(each => !['checkbox', 'radio'].includes(each.type))
                .map(each => [each.outerHTML.slice(0, 80), each.getBoundingClientRect().height])
                .filter(([, height]) => height < 44)"""
        )
    assert small == []
