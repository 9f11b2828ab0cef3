"""A sheet is imported in a browser: the page checks it by itself, and every step reads well."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from lots.sheets import drafts
from tests.browser.conftest import SIZES
from tests.imported import lines

if TYPE_CHECKING:
    from playwright.sync_api import Page

HEAD = ["Brought by", "Place", "When", "Gross, g", "Balance", "Silver, ‰"]
TRAY = ["brackwater", "feed-shelf", "2026-05-04 09:30", "1000", "bench", "925"]


def faults(page: Page, size: str) -> list[object]:
    """What axe finds serious, and whether the page is wider than its screen."""
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - with playwright

    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    results = Axe().run(page, options={"runOnly": tags})
    found: list[object] = [
        (page.url, each["id"], [node["html"][:200] for node in each["nodes"][:3]])
        for each in results.response["violations"]
        if each["impact"] in {"serious", "critical"}
    ]
    width = page.evaluate("document.documentElement.scrollWidth")
    return [*found, (page.url, width)] if width > SIZES[size][0] else found


def paste(page: Page, sheet: bytes) -> None:
    page.goto("/imports/new/")
    page.get_by_label("Lots received").check()
    page.get_by_label("Or cells, pasted").fill(sheet.decode())
    page.get_by_role("button", name="Go on to the columns").click()
    page.get_by_role("heading", name="Which column is which").wait_for()


@pytest.mark.parametrize(("size", "scheme"), [("desktop", "light"), ("phone", "dark")])
def test_a_long_sheet_is_checked_and_recorded_while_the_page_tells_how_far_it_is(
    open_as: Callable[..., Page], monkeypatch: pytest.MonkeyPatch, size: str, scheme: str
) -> None:
    monkeypatch.setattr(drafts.check_slice, "__kwdefaults__", {"rows": 2})
    monkeypatch.setattr("lots.sheets.pages.IN_REQUEST_ROWS_MAX", 3)
    page = open_as("manager", size, scheme)
    page.goto("/imports/new/")
    found = faults(page, size)
    paste(page, lines(HEAD, *[TRAY] * 9))
    found += faults(page, size)
    page.get_by_role("button", name="Check the rows").click()
    page.get_by_role("heading", name="Ready to record").wait_for()
    found += faults(page, size)
    page.get_by_role("button", name="Record 9 rows").click()
    page.wait_for_url(re.compile("/imports/SH26-0001-"))
    found += faults(page, size)
    assert page.get_by_role("link", name="Take it back").count() == 9
    page.goto("/imports/")
    found += faults(page, size)
    assert found == []


def test_faults_are_read_by_row_and_the_columns_are_sent_by_keyboard(
    open_as: Callable[..., Page],
) -> None:
    page = open_as("manager", "phone")
    paste(page, lines(HEAD, TRAY, [*TRAY[:3], "512,340", *TRAY[4:]]))
    page.get_by_label("Headings stand in row").focus()
    page.get_by_role("button", name="Check the rows").focus()
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Not as it stands").wait_for()
    assert faults(page, "phone") == []
    row = page.get_by_role("row").filter(has_text="512,340")
    assert "D: Gross, g" in row.inner_text()
    with page.expect_download() as marked:
        page.get_by_role("link", name="The sheet with its faults marked").click()
    assert marked.value.suggested_filename == "receipts-to-correct.xlsx"
    page.get_by_role("link", name="Change the columns").click()
    page.get_by_label("Numbers such as 1,234").select_option("have a decimal comma")
    page.get_by_role("button", name="Check the rows").click()
    page.get_by_role("heading", name="Ready to record").wait_for()
