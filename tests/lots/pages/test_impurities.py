"""Impurity analyses on pages, and the grade they reach with each limit beside its figure."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.urls import reverse

from lots.grades import ELEMENT_NAMES
from lots.models import ImpurityAnalysis, Lot
from lots.services.receipt import receive_lot
from tests.builders import receipt_of, row_counts


@pytest.fixture
def crystal(works, act) -> Lot:
    receipt = receipt_of(works, 500, {"Ag": Decimal(999)}, form=Lot.Form.FINE_CRYSTAL)
    return receive_lot(receipt=receipt, act=act(0))


def entries(works, **contents):
    return {
        "key": "analysis-1",
        "laboratory": works.laboratory.pk,
        "unit": contents.pop("unit", "ppt"),
        "certificate": "QL 12",
        **{f"contents-{element}": text for element, text in contents.items()},
    }


def test_an_analysis_is_kept_and_its_grade_shown_with_every_limit(browser, works, crystal):
    given = entries(works, Ag="999.6", Cu="0", Pb="0", Fe="0", Bi="0")
    form = browser.get(reverse("impurities", args=[crystal.code])).context["form"]
    assert form["laboratory"].initial == works.laboratory.pk, "the only one there is"
    answer = browser.post(reverse("impurities", args=[crystal.code]), given, follow=True)
    analysis = ImpurityAnalysis.objects.get()
    assert analysis.contents_ppt["Ag"] == "999.6"
    sheet = answer.context["sheet"]
    # By the minimum fineness alone, which is published: 999.9, 999.5, 999.0.
    assert sheet.found.grade == "99.95"
    page = answer.content.decode()
    assert "grade 99.95" in page
    assert "confirm them against the standard" in page
    verdicts = {line.element: [each.verdict for each in line.limits] for line in sheet.lines}
    assert verdicts["Ag"] == ["broken", "kept", "kept"]
    for element in ("Cu", "Pb", "Fe", "Bi"):
        assert set(verdicts[element]) <= {"kept", "no limit"}
    assert set(verdicts["Se"]) == {"not measured", "no limit"}
    assert page.count("<li>Grade 99.99: silver 999.6") == 1
    on_lot = browser.get(reverse("lot", args=[crystal.code])).content.decode()
    assert reverse("grade", args=[crystal.code]) in on_lot
    assert "grade 99.95" in on_lot


def test_what_was_not_looked_for_is_named_beside_the_grade(browser, works, crystal):
    address = reverse("impurities", args=[crystal.code])
    answer = browser.post(address, entries(works, Ag="999.95", Cu="0"), follow=True)
    page = answer.content.decode()
    assert "grade 99.99" in page
    assert "as far as was looked for" in page
    for element in answer.context["sheet"].found.unmeasured:
        assert ELEMENT_NAMES[element].lower() in page


def test_milligrams_per_kilogram_are_a_thousandth_of_parts_per_thousand(browser, works, crystal):
    given = entries(works, unit="ppm", Ag="999.95", Cu="40", Fe="3.5")
    browser.post(reverse("impurities", args=[crystal.code]), given)
    contents = ImpurityAnalysis.objects.get().contents_ppt
    assert {each: float(text) for each, text in contents.items()} == {
        "Ag": 999.95,
        "Cu": 0.04,
        "Fe": 0.0035,
    }


@pytest.mark.parametrize(
    ("contents", "field", "code"),
    [
        ({}, "contents", "required"),
        ({"Ag": "pure"}, "contents", "not_a_number"),
        ({"Ag": "1001"}, "contents", "fineness_out_of_range"),
        ({"Ag": "999.9", "Cu": "0.2"}, "contents", "fineness_sum_above_1000"),
        ({"Ag": "999.9", "unit": "carat"}, "unit", "invalid_choice"),
    ],
)
def test_an_analysis_that_cannot_be_is_refused_beside_its_field(
    browser, works, crystal, contents, field, code
):
    before = row_counts()
    address = reverse("impurities", args=[crystal.code])
    answer = browser.post(address, entries(works, **contents))
    assert answer.status_code == 400
    errors = answer.context["form"].errors.get_json_data()
    assert [each["code"] for each in errors[field]] == [code]
    assert row_counts() == before


def test_without_an_analysis_or_without_silver_no_grade_is_told(browser, works, crystal):
    address = reverse("grade", args=[crystal.code])
    assert "No analysis of this lot" in browser.get(address).content.decode()
    browser.post(reverse("impurities", args=[crystal.code]), entries(works, Cu="0.1"))
    page = browser.get(address).content.decode()
    assert "No grade can be told" in page
    assert "grade 99" not in page
    for wrong in ("999", "x", "9" * 30):
        assert browser.get(address, {"analysis": wrong}).status_code == 404
