"""Read by machine and hand: no serious finding of axe, no page wider than a phone, keys enough."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from django.core.files.base import ContentFile
from django.urls import reverse

from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from lots import clock
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Lot
from lots.services.documents import Filing, attach_document
from lots.services.process_batches import Inputs, start_batch
from lots.services.taking import Take
from reports.services.counts import open_count_sheet
from reports.services.month_end import begin_month_end
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.shared_links import share_link
from reports.services.terms import set_terms
from tests.browser.conftest import SIZES
from tests.builders import receive
from tests.cells.conftest import Bench
from tests.page_addresses import page_addresses

if TYPE_CHECKING:
    from playwright.sync_api import Page

# Seen at both sizes; every other page of the works at one of them in turn.
AT_BOTH_SIZES = {
    "(today)",
    "bench/",
    "receive/",
    "lots/",
    "lots/<code>/",
    "lots/<code>/answer/",
    "cells/",
    "cells/<code>/feed-plan/",
    "runs/<code>/",
    "counts/<code>/",
    "months/<month>/",
    "months/<month>/how-sure/",
    "settlements/<code>/",
    "papers/",
    "labels/",
}
SETTLED = {
    "currency": "EUR",
    "settle_in": "metal",
    "exchanged": False,
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2"}],
}


@pytest.fixture
def lot(site: str, works: SimpleNamespace, act: Callable[..., Any]) -> Lot:
    return receive(works, act(), owner=works.brackwater)


@pytest.fixture
def busy(lot: Lot, works: SimpleNamespace, act: Callable[..., Any]) -> SimpleNamespace:
    """Something for every page to show: a closed run, a settled lot, a count, a paper, a link."""
    bench = Bench(works)
    run = bench.stopped(hours=2)
    bag = BagTaken(works.places["slimes-cabinet"])
    bag_slimes(run=run, bag=bag, act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    findings = {"Ag": Finding(Decimal(925), Decimal("0.3"))}
    report = AssayReport("gravimetric", works.laboratory, findings)
    record_assay(lot=lot, report=report, act=act(1))
    start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot), Take(receive(works, act()))]),
        keep_apart=False,
        act=act(1.5),
    )
    office, manager = act(2, who=works.accountant), act(3, who=works.manager)
    day = act(0).moment.date()
    set_terms(customer=works.brackwater, content=SETTLED, valid_from=day, act=office)
    drafted = prepare_settlement(lot=lot, kind="final", act=office)
    settlement = approve_settlement(settlement=drafted, act=manager)
    attach_document(
        file=ContentFile(b"%PDF-1.7 identity", "identity.pdf"),
        party=works.brackwater,
        filing=Filing("identity"),
        act=office,
    )
    month = begin_month_end(first_day=dt.date(2026, 4, 1), act=manager)
    open_count_sheet(month_end=month, place=works.places["fine-safe"], act=manager)
    return SimpleNamespace(lot=lot, settlement=settlement)


@pytest.mark.parametrize(("size", "scheme"), [("desktop", "light"), ("phone", "dark")])
def test_no_serious_finding_and_no_sideways_scrolling(
    busy: SimpleNamespace, open_as: Callable[..., Page], size: str, scheme: str
) -> None:
    turn = sorted(SIZES).index(size)
    addresses = [
        address
        for number, (route, address) in enumerate(page_addresses().items())
        if address is not None and (route in AT_BOTH_SIZES or number % len(SIZES) == turn)
    ]
    assert len(addresses) > 50
    page = open_as("manager", size, scheme)
    found = _findings(page, [*addresses, "/no-such-page/", "/search/?q=brackwater"], size)
    own = ("/", f"/lots/{busy.lot.code}/answer/", f"/settlements/{busy.settlement.code}/")
    found += _findings(open_as("isolde", size, scheme), [*own, "/accounts/brackwater/"], size)
    assert found == []


def _findings(page: Page, addresses: list[str], size: str) -> list[tuple[Any, ...]]:
    """What axe calls serious on these pages, and pages wider than their screen."""
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - with playwright

    found: list[tuple[Any, ...]] = []
    for address in addresses:
        answer = page.goto(address)
        assert answer is not None
        if answer.status >= 500:
            found.append((address, answer.status))
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
    return found


def test_shared_link_is_read_without_a_sign_in_and_without_a_finding(
    busy: SimpleNamespace, site: str, works: SimpleNamespace, chromium: Any
) -> None:
    # The server lives in the present, where a link of the tests' own day has expired.
    with clock.at(dt.datetime.now(dt.UTC)):
        link = share_link(days=7, settlement=busy.settlement, act=Act(who=works.accountant))
    path = reverse("shared", args=[link.token])
    context = chromium.new_context(viewport={"width": 360, "height": 800})
    page = context.new_page()
    assert _findings(page, [site + path], "phone") == []
    assert busy.settlement.code in page.locator("main").inner_text()
    context.close()


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
