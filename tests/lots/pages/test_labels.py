"""Labels: chosen from the list, laid out from a free place, as PDF and as SVG."""

from __future__ import annotations

import re
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from config.refusals import InvalidError
from lots.exports.label_sheet import Label, dark_runs, label_pdf, label_svgs
from lots.label_layout import LAYOUTS, LabelLayout, checked_layout, spots
from lots.models import Lot
from tests.builders import receive
from tests.pdf_text import text_of


@pytest.fixture
def lots(works: SimpleNamespace, act: Callable[..., Any]) -> list[Lot]:
    return [receive(works, act()) for _ in range(3)]


def test_single_label_bears_the_code_its_check_apart_and_a_qr_of_its_address(
    browser: Client, lots: list[Lot]
) -> None:
    page = browser.get(reverse("label", args=[lots[0].code])).content.decode()
    assert page.count("<svg xmlns") == 1
    assert f">{lots[0].code[:-1]}</text>" in page
    assert f'text-anchor="middle">{lots[0].code[-1]}</text>' in page
    column, row, length = dark_runs(f"http://testserver/q/{lots[0].code}/")[1][0]
    assert f'd="M{column},{row}h{length}v1' in page
    single = browser.get(reverse("label", args=[lots[0].code]), {"as": "pdf"})
    assert single["Content-Type"] == "application/pdf"
    assert single.content.startswith(b"%PDF")


def test_everything_drawn_stays_inside_its_label_and_off_the_edge() -> None:
    label = Label("GR26-0001-4", "http://testserver/q/1/", ("Silver granules", "Feed shelf"))
    layout = LAYOUTS["a4-24"][1]
    (svg,) = label_svgs([label], layout, start=5)
    (spot,) = spots(layout, 1, start=5)
    drawn = svg.partition('fill="#fff"/>')[2]
    left, top = (float(each) for each in re.findall(r"translate\((\S+) (\S+)\)", drawn)[0])
    for name, first, size in (
        ("x", spot.left_mm, layout.label_width_mm),
        ("y", spot.top_mm, layout.label_height_mm),
    ):
        found = [float(each) for each in re.findall(f' {name}="(.*?)"', drawn)]
        found.append(left if name == "x" else top)
        assert min(found) == pytest.approx(first + 1.5, abs=0.01)
        assert max(found) < first + size - 1.5


def test_a_line_too_long_for_its_label_is_cut_and_says_so() -> None:
    layout = LAYOUTS["a4-24"][1]
    label = Label("GR26-0001-4", "http://testserver/q/1/", ("Granules " * 20, "Feed shelf"))
    for text in (text_of(label_pdf([label], layout)), label_svgs([label], layout)[0]):
        assert "Granules" in text
        assert "Granules " * 20 not in text
        assert text.count("…") == 1


def test_ticked_lots_are_laid_out_from_the_first_free_label_on(
    browser: Client, lots: list[Lot]
) -> None:
    assert 'name="lot"' in browser.get(reverse("lots")).content.decode()
    asked = {"lot": [lot.code for lot in lots], "layout": "a4-24", "start": "23"}
    page = browser.get(reverse("labels"), asked)
    first, second = page.context["sheets"]
    assert [each.count("scale(") for each in (first, second)] == [2, 1]
    svg = browser.get(reverse("labels"), asked | {"as": "svg", "sheet": "2"})
    assert svg.content.decode() == second
    unread = browser.get(reverse("labels"), asked | {"as": "svg", "sheet": "two"})
    assert unread.content.decode() == first
    assert svg["Content-Disposition"] == 'attachment; filename="labels.svg"'
    pdf = browser.get(reverse("labels"), asked | {"as": "pdf"}).content
    assert pdf.count(b"/Type /Page\n") == 2


def test_layout_of_ones_own_is_reckoned_from_its_margins() -> None:
    own = LabelLayout(210, 297, rows=7, columns=2, margin_across_mm=5, margin_down_mm=10)
    assert own.label_width_mm == 100
    assert own.label_height_mm == pytest.approx(277 / 7)
    third = spots(own, 1, start=3)[0]
    assert (third.sheet, third.left_mm) == (0, 5)
    assert third.top_mm == pytest.approx(10 + 277 / 7)
    with pytest.raises(InvalidError, match=r"23\.3"):
        checked_layout(LabelLayout(210, 297, rows=1, columns=9))


@pytest.mark.parametrize("layout", [layout for _, layout in LAYOUTS.values()])
def test_offered_layouts_stay_on_their_paper_and_never_overlap(layout: LabelLayout) -> None:
    checked_layout(layout)
    places = spots(layout, layout.on_a_sheet)
    assert {spot.sheet for spot in places} == {0}
    last = places[-1]
    assert last.left_mm + layout.label_width_mm <= layout.page_width_mm + 1e-9
    assert last.top_mm + layout.label_height_mm <= layout.page_height_mm + 1e-9
    assert min(layout.gap_across_mm, layout.gap_down_mm) >= 0


@pytest.mark.parametrize(
    ("changed", "field", "code"),
    [
        ({"codes": "GR26-9999-9"}, "codes", "bad_check_character"),
        ({"start": "25"}, "start", "outside_sheet"),
        ({"layout": "own", "columns": "12"}, "columns", "no_room"),
    ],
)
def test_sheet_that_can_not_be_is_refused_beside_its_field(
    browser: Client, lots: list[Lot], changed: dict[str, str], field: str, code: str
) -> None:
    answer = browser.get(reverse("labels"), {"codes": lots[0].code, "start": "1"} | changed)
    assert answer.status_code == 400
    assert answer.context["form"].has_error(field, code)
    assert answer.context["sheets"] == []


def test_scanned_address_typed_by_a_scanner_opens_the_lot(browser: Client, lots: list[Lot]) -> None:
    scanned = f"http://ledger.example/q/{lots[1].code}/"
    for name, field in (("bench", "code"), ("search", "q")):
        answer = browser.get(reverse(name), {field: scanned})
        assert answer.url.startswith(reverse("lot", args=[lots[1].code]))
