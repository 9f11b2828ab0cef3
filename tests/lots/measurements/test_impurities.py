"""An analysis for impurities is kept, and the grade it reaches is told with what it left out."""

from __future__ import annotations

import pytest

from config.refusals import InvalidError
from lots.measurements.grade import CONFIRM, grade_of, latest_analysis
from lots.measurements.impurities import ImpurityReport, record_impurities
from lots.models import ImpurityAnalysis

# Minimum fineness of the grades: ASTM B413 as published; limits of impurities: from memory.
PURE = {"Ag": "999.93", "Cu": "0.03", "Pb": "0.005", "Fe": "0.002", "Bi": "0.001", "Pd": "0.004"}


@pytest.fixture
def lot(works, received):
    return received(500, owner=works.house, form="fine_crystal", declared={"Ag": "999.9"})


def analysed(works, lot, act, contents, hours=1):
    report = ImpurityReport(works.laboratory, contents, "QL 26-11")
    return record_impurities(lot=lot, report=report, act=act(hours))


def test_the_grade_comes_with_what_was_not_measured(works, act, lot):
    analysis = analysed(works, lot, act, PURE)
    assert analysis.contents_ppt == PURE
    found = grade_of(analysis)
    assert (found.grade, found.uns) == ("99.99", "P07010")
    assert found.unmeasured == ("Se", "Te")
    assert (found.lot, found.certificate, found.laboratory) == (lot.code, "QL 26-11", "quay-lab")
    assert found.note == CONFIRM
    assert "from memory" in found.limits_source


def test_the_latest_reported_analysis_counts_and_says_why_not_better(works, act, lot):
    analysed(works, lot, act, PURE, hours=2)
    analysed(works, lot, act, PURE | {"Cu": "0.05"}, hours=1)
    assert (
        grade_of(latest_analysis(lot)).contents_ppt["Cu"]
        == grade_of(ImpurityAnalysis.objects.first()).contents_ppt["Cu"]
    )
    worse = analysed(works, lot, act, {"Ag": "999.6", "Bi": "0.008"}, hours=3)
    assert latest_analysis(lot) == worse
    found = grade_of(worse)
    assert found.grade == "99.95"
    assert [(each.grade, each.element) for each in found.broken] == [
        ("99.99", "Ag"),
        ("99.99", "Bi"),
    ]
    none = grade_of(analysed(works, lot, act, {"Ag": "998"}, hours=4))
    assert (none.grade, none.limits_source) == (None, "")


def test_without_silver_there_is_no_grade(works, act, lot):
    analysis = analysed(works, lot, act, {"Cu": "0.03"})
    with pytest.raises(InvalidError) as refused:
        grade_of(analysis)
    assert refused.value.code == "silver_not_measured"


@pytest.mark.parametrize(
    ("contents", "code", "field"),
    [
        ({}, "nothing_measured", "contents"),
        ({"Xx": "1"}, "unknown_metal", "contents.Xx"),
        ({"Ag": "1001"}, "fineness_out_of_range", "contents.Ag"),
        ({"Ag": "much"}, "not_a_number", "contents.Ag"),
        ({"Ag": "999", "Cu": "2"}, "fineness_sum_above_1000", "contents"),
    ],
)
def test_an_analysis_that_cannot_be_is_refused(works, act, lot, refused, contents, code, field):
    with refused(code, field):
        analysed(works, lot, act, contents)


def test_a_certificate_too_long_is_refused(works, act, lot, refused):
    report = ImpurityReport(works.laboratory, PURE, "x" * 81)
    with refused("too_long", "certificate"):
        record_impurities(lot=lot, report=report, act=act(1))
