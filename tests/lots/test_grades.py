"""A grade stands as far as the analysis goes, and says how far that is.

The limits used here are invented, so that nothing rests on limits that are from memory.
"""

from dataclasses import replace
from decimal import Decimal
from types import MappingProxyType

import pytest

from config.refusals import InvalidError
from lots.grades import (
    ASTM_B413,
    LimitBroken,
    grade_by_analysis,
    limits_beside,
    silver_grade,
)

BEST = replace(
    ASTM_B413[0],
    name="best",
    maxima_ppt=MappingProxyType({"Cu": Decimal("0.05"), "Pb": Decimal(1)}),
)
PLAIN = replace(
    ASTM_B413[2],
    name="plain",
    maxima_ppt=MappingProxyType({"Cu": Decimal("0.4"), "Bi": Decimal("0.1")}),
    silver_and_copper_min_ppt=Decimal("999.3"),
)
INVENTED = (BEST, PLAIN)


def test_grade_of_a_full_analysis():
    found = grade_by_analysis({"Ag": "999.95", "Cu": "0.03", "Pb": "0.01"}, INVENTED)
    assert found.grade is BEST
    assert found.unmeasured == ()
    assert found.broken == ()


def test_grade_names_what_was_not_measured():
    found = grade_by_analysis({"Ag": "999.95"}, INVENTED)
    assert found.grade is BEST
    assert found.unmeasured == ("Cu", "Pb")


def test_copper_puts_the_better_grade_out_of_reach():
    found = grade_by_analysis({"Ag": "999.9", "Cu": "0.06", "Bi": "0.01"}, INVENTED)
    assert found.grade is PLAIN
    assert found.broken == (LimitBroken("best", "Cu", Decimal("0.06"), Decimal("0.05")),)


def test_silver_and_copper_together_can_fail():
    found = grade_by_analysis({"Ag": "999.1", "Cu": "0.1", "Bi": "0.02"}, INVENTED)
    assert found.grade is None
    assert found.unmeasured == ()
    assert [(fault.grade, fault.element) for fault in found.broken] == [
        ("best", "Ag"),
        ("best", "Cu"),
        ("plain", "Ag+Cu"),
    ]


def test_silver_at_the_limit_passes_and_below_it_fails():
    assert grade_by_analysis({"Ag": "999.9"}, INVENTED).grade is BEST
    assert grade_by_analysis({"Ag": "999.8999"}, INVENTED).grade is PLAIN
    assert silver_grade(Decimal("998.9999")) is None


@pytest.mark.parametrize(
    ("analysis", "code", "field"),
    [
        ({"Cu": "0.1"}, "silver_not_measured", "analysis.Ag"),
        ({}, "silver_not_measured", "analysis.Ag"),
        ({"Ag": "999.9", "Zn": "0.1"}, "unknown_metal", "analysis.Zn"),
        ({"Ag": "999.9", "Cu": "-0.1"}, "fineness_out_of_range", "analysis.Cu"),
        ({"Ag": "999.9", "Cu": "0.2"}, "fineness_sum_above_1000", "analysis"),
        ({"Ag": 999.9}, "not_a_number", "analysis.Ag"),
    ],
)
def test_analysis_refused(analysis, code, field):
    with pytest.raises(InvalidError) as refusal:
        grade_by_analysis(analysis)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_recalled_limits_say_that_they_are_recalled():
    assert all("from memory" in grade.limits_source for grade in ASTM_B413)


def test_a_figure_at_its_limit_keeps_it_and_one_step_beyond_breaks_it():
    def verdicts(**analysis):
        contents = {each: Decimal(text) for each, text in analysis.items()}
        lines = limits_beside(contents, [BEST])
        return {line.element: line.limits[0].verdict for line in lines}

    assert verdicts(Ag="999.9", Cu="0.05", Te="0") == {
        "Ag": "kept",
        "Cu": "kept",
        "Pb": "not measured",
        "Te": "no limit",
    }
    beyond = verdicts(Ag="999.89", Cu="0.051")
    assert (beyond["Ag"], beyond["Cu"]) == ("broken", "broken")
