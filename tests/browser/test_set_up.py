"""A works of one person begins on an empty database, by links alone, with few entries typed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest

from cells.models import CellRun
from lots.ledger.holdings import holding
from lots.ledger.ledger_checks import run_checks
from lots.models import Lot
from lots.queries.works import works_settings
from lots.queries.works_zone import works_zone
from tests.browser.chromium import PATIENCE_MS
from tests.browser.conftest import served

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SIZES = {"phone": (360, 740), "desktop": (1280, 900)}
TO_THE_FIRST_LOT_MAX = 12
TO_A_RUNNING_CELL_MAX = 25


class Hand:
    """Whoever works the page: types, chooses and presses, and counts what was typed."""

    def __init__(self, page: Page, keep: Callable[[Page, str], None], size: str) -> None:
        self.page, self.typed, self.size, self._keep = page, 0, size, keep

    def fill(self, label: str, text: str) -> None:
        self.page.locator("main").get_by_label(label, exact=False).first.fill(text)
        self.typed += 1

    def follow(self, link: str) -> None:
        self.page.locator("main").get_by_role("link", name=link).first.click()
        self.page.wait_for_load_state()

    def press(self, button: str) -> str:
        """What the page says then; nothing may be refused, and no page wider than it is."""
        name = button.lower().replace(" ", "-")
        self._keep(self.page, f"set-up-{self.size}-{name}")
        self.page.locator("main").get_by_role("button", name=button, exact=True).click()
        self.page.wait_for_load_state()
        words = self.page.locator("main").inner_text()
        assert self.page.locator(".error, .problem").count() == 0, words
        wide, seen = self.page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
        assert wide <= seen, f"{button}: {wide} in {seen}"
        return str(words)

    def done(self) -> list[str]:
        """The lines of the list that are ticked."""
        return [each.strip() for each in self.page.locator(".to-begin .done a").all_inner_texts()]


@pytest.fixture
def empty_site(
    emptied_database: None, known_set_up: set[str], known_zone: dict[str, object]
) -> Iterator[str]:
    known_set_up.clear()
    known_zone.clear()
    yield from served()


@pytest.fixture
def hand(
    chromium: Browser,
    empty_site: str,
    keep_picture: Callable[[Page, str], None],
    request: pytest.FixtureRequest,
) -> Iterator[Hand]:
    width, height = SIZES[request.param]
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        base_url=empty_site,
        timezone_id="Europe/Amsterdam",
        locale="nl-NL",
    )
    context.set_default_timeout(PATIENCE_MS)
    yield Hand(context.new_page(), keep_picture, request.param)
    context.close()


def set_up(hand: Hand) -> None:
    hand.page.goto("/lots/")
    hand.page.wait_for_url("**/set-up/")
    hand.fill("Name of the works", "Gull Street Silver")
    hand.fill("Your name", "Zoë Holm")
    hand.fill("Password", "crystal grows at night")
    hand.page.get_by_label("I work alone").check()
    assert "You sign in as zoe" in hand.press("Set it up")
    said = works_settings()
    assert (works_zone().key, said.decimal_sign, said.one_person) == (
        "Europe/Amsterdam",
        ",",
        True,
    )
    assert hand.done() == ["The name of the works"]


def add_places_and_a_scale(hand: Hand) -> None:
    hand.follow("The places where things stand")
    hand.press("Add them")
    hand.follow("A scale")
    hand.fill("Name", "Kitchen scale")
    hand.fill("Readability", "0.1 g")
    hand.page.get_by_text("0.029 g").wait_for()
    hand.press("Keep it")
    assert hand.done()[1:] == ["The places where things stand", "A scale"]


def put_on_the_books(hand: Hand) -> Lot:
    hand.follow("What is on the shelves")
    hand.page.get_by_label("What it is").select_option(label="Granules")
    hand.fill("How much it weighs", "1.2 kg")
    hand.press("Put it on the books")
    return Lot.objects.get()


def add_a_cell(hand: Hand) -> None:
    hand.follow("A cell")
    hand.fill("Name", "Jug")
    hand.fill("Volume of the bath", "3 L")
    hand.fill("Most current, A", "9")
    hand.fill("Fuse, A", "10")
    hand.press("Keep it")


def run_the_cell(hand: Hand) -> CellRun:
    add_a_cell(hand)
    hand.follow("Its electrolyte")
    hand.fill("Silver in it", "480 g")
    hand.fill("Made up to", "3 L")
    hand.press("Put it on the books")
    hand.follow("Charge the cell")
    hand.press("Charge it")
    hand.follow("Switch on")
    hand.fill("Current, A", "8.5")
    hand.press("The current is on")
    return CellRun.objects.get()


@pytest.mark.parametrize("hand", SIZES, indirect=True)
def test_from_nothing_to_a_running_cell_by_links_alone(hand: Hand) -> None:
    set_up(hand)
    add_places_and_a_scale(hand)
    lot = put_on_the_books(hand)
    assert hand.typed <= TO_THE_FIRST_LOT_MAX
    assert holding(lot).metals == {"Ag": 1_080_000_000}
    run = run_the_cell(hand)
    assert hand.typed <= TO_A_RUNNING_CELL_MAX
    assert run.state == CellRun.State.RUNNING
    assert run.readings.count() == 1
    hand.page.get_by_role("link", name="Parting Ledger").click()
    assert hand.page.get_by_text("To begin with").count() == 0
    assert [each.rows for each in run_checks() if each.found] == []


@pytest.mark.parametrize("hand", ["phone"], indirect=True)
def test_a_cell_that_runs_already_and_what_was_typed_beside_an_empty_list(hand: Hand) -> None:
    set_up(hand)
    page = hand.page
    hand.follow("Receive a lot")
    hand.fill("Gross", "412.35 g")
    hand.follow("Add a scale")
    hand.fill("Name", "Kitchen scale")
    hand.fill("Readability", "0.1 g")
    hand.press("Keep it")
    assert page.url.endswith("/receive/")
    assert page.get_by_label("Gross").input_value() == "412.35 g"
    page.get_by_label("Balance").select_option(label="Kitchen scale")
    page.get_by_role("link", name="Parting Ledger").click()
    add_a_cell(hand)
    hand.follow("Is it running already?")
    page.get_by_label("Cell", exact=True).select_option(label="Jug")
    hand.fill("How much went in", "1.2 kg")
    hand.fill("Silver in its electrolyte", "480 g")
    hand.fill("Made up to", "3 L")
    hand.fill("Current now, A", "7.9")
    hand.press("Put it on the books")
    run = CellRun.objects.get()
    assert run.code in page.url
    assert run.state == CellRun.State.RUNNING
