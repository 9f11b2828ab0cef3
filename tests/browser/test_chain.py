"""The main job by clicks: a lot comes in, is assayed, runs through the cell, and is answered."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from cells.models import Cell, CellRun, SlimesBag
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.prepare_electrolyte import ElectrolyteInUse, open_electrolyte
from lots.ledger.holdings import claims_of, holding
from lots.ledger.ledger_checks import run_checks
from lots.measurements.assays import AssayReport, Finding
from lots.measurements.outputs import Volume
from lots.models import Lot

if TYPE_CHECKING:
    from playwright.sync_api import Page


@pytest.fixture
def north(site: str, works: SimpleNamespace, act: Callable[..., Any]) -> Cell:
    """The North cell with twelve litres of electrolyte in it (invented)."""
    cell = Cell.objects.create(
        code="north",
        name="North",
        place=works.places["north-cell"],
        bath_volume_ul=12_000_000,
        current_limit_a=Decimal(60),
        fuse_rating_a=Decimal(80),
    )
    assay = AssayReport(
        "icp_oes",
        works.laboratory,
        {"Ag": Finding(Decimal(60), Decimal("0.3")), "Cu": Finding(Decimal(20), Decimal("0.2"))},
        basis="g_per_l",
    )
    measured = ElectrolyteMeasurement(volume=Volume(12_000_000, 20_000), assay=assay)
    in_use = ElectrolyteInUse(works.places["north-cell"], measured, cell=cell)
    open_electrolyte(electrolyte=in_use, act=act(0))
    return cell


def unfold(page: Page) -> None:
    """Opens what stands under “more”."""
    if page.locator("details.more:not([open])").count():
        page.locator("details.more > summary").click()


def at(page: Page, moment: str) -> None:
    unfold(page)
    page.get_by_label("When it happened").fill(f"2026-05-{moment}")


def choose(page: Page, label: str, option: str) -> None:
    page.get_by_label(label, exact=False).first.select_option(label=option)


def done(page: Page, button: str) -> str:
    """Presses the form's button and gives the page's words; nothing may be refused."""
    page.locator("main").get_by_role("button", name=button).click()
    page.wait_for_load_state()
    words = page.locator("main").inner_text()
    assert "Not recorded" not in words, words
    return words


def receive(page: Page) -> Lot:
    page.goto("/receive/")
    choose(page, "Who brought it", "Isolde Brackwater")
    choose(page, "What it is", "Granules")
    page.get_by_label("Gross").fill("1 502.4 g")
    page.locator(".conversion", has_text="48.303 ozt").wait_for()
    page.get_by_label("Tare").fill("2.4 g")
    choose(page, "Balance", "Bench balance")
    choose(page, "Where it is put", "Feed shelf")
    page.get_by_label("Silver, ‰").fill("925")
    page.get_by_label("Copper, ‰").fill("70")
    at(page, "04T09:30")
    words = done(page, "Receive it")
    lot = Lot.objects.get(received_from__code="brackwater")
    assert lot.code in words
    assert "1\u202f387.500 g" in words
    return lot


def assay_and_rule(page: Page, lot: Lot) -> None:
    page.goto(f"/lots/{lot.code}/")
    page.get_by_text("What else can be done with it").click()
    page.get_by_role("link", name="Enter an assay").click()
    choose(page, "Assayed by", "Fire assay")
    choose(page, "Laboratory", "Quay laboratory")
    page.get_by_label("Silver, ‰ or g/L", exact=True).fill("923.5")
    page.get_by_label("Silver, standard uncertainty").fill("0.4")
    page.get_by_label("Copper, ‰ or g/L", exact=True).fill("71")
    page.get_by_label("Copper, standard uncertainty").fill("1")
    at(page, "04T10:00")
    done(page, "Keep the report")
    page.get_by_role("link", name="Let it rule").click()
    page.get_by_label("Why this one counts").fill("only report")
    at(page, "04T10:10")
    done(page, "Let it rule")


def run_the_cell(page: Page, lot: Lot) -> CellRun:
    page.goto("/cells/")
    page.get_by_role("link", name="Charge it").click()
    page.get_by_label("Lot", exact=True).first.fill(lot.code.lower())
    at(page, "04T11:00")
    done(page, "Charge it")
    run = CellRun.objects.get()
    page.get_by_role("link", name="Switch on").click()
    page.get_by_label("Current, A").fill("40")
    at(page, "04T11:30")
    done(page, "The current is on")
    page.get_by_role("link", name="Read the cell").click()
    page.get_by_label("Current, A").fill("39.2")
    page.get_by_label("Voltage, V").fill("2.15")
    at(page, "04T14:00")
    done(page, "Keep the reading")
    page.get_by_role("link", name="Switch off").click()
    page.get_by_label("Current, A").fill("38.8")
    at(page, "04T16:30")
    done(page, "The current is off")
    return run


def empty_the_cell(page: Page, run: CellRun) -> None:
    page.goto(f"/runs/{run.code}/remnant/")
    page.get_by_label("Gross").fill("850 g")
    choose(page, "Balance", "Bench balance")
    choose(page, "Where it is put", "Feed shelf")
    at(page, "04T16:40")
    done(page, "Take it")
    page.goto(f"/runs/{run.code}/")
    page.get_by_role("link", name="Take the slimes bag").click()
    choose(page, "Where it is put", "Slimes cabinet")
    at(page, "04T16:50")
    done(page, "Bag them")
    page.goto(f"/runs/{run.code}/")
    page.get_by_role("link", name="Harvest the crystal").click()
    page.get_by_label("Gross").fill("25.5 ozt")
    choose(page, "Balance", "Bench balance")
    choose(page, "Where it is put", "Fine safe")
    page.get_by_label("How many rinses").fill("6")
    page.get_by_label("showed no cloud").check()
    page.get_by_label("stayed dry").check()
    page.locator("[name=declared-Ag]").fill("999")
    at(page, "04T17:30")
    done(page, "Harvest")
    page.goto(f"/runs/{run.code}/")
    page.get_by_role("link", name="Close the run").click()
    at(page, "04T17:50")
    done(page, "Close it")


def test_lot_goes_through_the_works_by_clicks(
    north: Cell,
    works: SimpleNamespace,
    open_as: Callable[..., Page],
    size: str,
    keep_picture: Callable[[Page, str], None],
) -> None:
    page = open_as("manager", size)
    lot = receive(page)
    keep_picture(page, f"receipt-{size}")
    assay_and_rule(page, lot)
    keep_picture(page, f"lot-{size}")
    assert holding(lot).metals["Ag"] == 1_385_250_000
    run = run_the_cell(page, lot)
    assert claims_of(works.brackwater)["Ag"] == 1_385_250_000
    empty_the_cell(page, run)
    keep_picture(page, f"run-{size}")
    run.refresh_from_db()
    assert run.state == "closed"
    page.goto("/slimes/")
    assert SlimesBag.objects.get().lot.code in page.locator("main").inner_text()
    page.goto("/")
    keep_picture(page, f"today-{size}")
    customer = open_as("isolde", size)
    customer.get_by_role("link", name=lot.code).click()
    words = customer.locator("main").inner_text()
    # Their own result is awaited, so what they see rests on what they declared.
    assert "1\u202f387.500 g" in words
    assert "1\u202f385.250 g" not in words
    assert "are not shown until the customer’s own are recorded" in words.replace("'", "’")
    keep_picture(customer, f"answer-{size}")
    assert [result.check.name for result in run_checks() if result.found] == []
