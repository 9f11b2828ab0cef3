"""The working of a bar's weights, and the rules side by side."""

from __future__ import annotations

from decimal import Decimal

from lots.bar_workings import compare_rules, exact_ozt, table_bar, workings
from lots.bars import RoundingRule, fine_weight, gross_weight, small_bar_fine_weight

KILOGRAM_UG = 1_000_000_000
PPT = Decimal("999.9")


def test_a_kilogram_bar_differs_by_every_rule():
    """32.148 fine by the agreed table, 32.147 by the formula: see `lots/bars.py` for the table."""
    gross = gross_weight("Au", KILOGRAM_UG)
    fine = small_bar_fine_weight("1 kg", PPT)
    rows = compare_rules(gross, PPT, fine)
    assert [(str(each.gross_ozt), str(each.fine_ozt), each.used) for each in rows] == [
        ("32.150", "32.147", False),
        ("32.125", "32.122", False),
        ("32.150", "32.148", True),
        ("32.150747", "32.147532", False),
    ]
    (_, _, looked_up) = workings(gross, PPT, fine)
    assert "not computed" in looked_up.what


def test_the_rounding_agreed_is_named_as_such():
    rule = RoundingRule("half up", Decimal("0.001"))
    gross = gross_weight("Ag", KILOGRAM_UG, agreed=rule)
    fine = fine_weight("Ag", gross.gross_ozt, PPT, rule)
    rows = compare_rules(gross, PPT, fine)
    (used,) = [each for each in rows if each.used]
    assert used.rule == "As agreed between the parties"
    assert (str(used.gross_ozt), str(used.fine_ozt)) == ("32.151", "32.148")
    london = rows[0]
    assert (str(london.gross_ozt), london.fine_ozt) == ("32.1", None)


def test_a_metal_without_published_rules_has_only_its_own():
    rule = RoundingRule("down", Decimal("0.01"))
    gross = gross_weight("Pt", KILOGRAM_UG, agreed=rule)
    rows = compare_rules(gross, PPT, None)
    assert [each.used for each in rows] == [True, False]


def test_the_working_writes_every_sum_down():
    gross = gross_weight("Au", KILOGRAM_UG)
    fine = fine_weight("Au", gross.gross_ozt, PPT)
    sums = [step.sum for step in workings(gross, PPT, fine)]
    assert sums == [
        "1000 g = 32.150747 ozt",
        "32.150747 → 32.150 ozt",
        "32.150 × 999.9 / 1000 = 32.146785 → 32.147 ozt",
    ]


def test_ounces_are_shown_to_a_millionth():
    assert exact_ozt(31_103_476_800) == Decimal("1000.000000")
    assert exact_ozt(1) == Decimal("0.000000")


def test_the_bar_of_the_table_is_known_by_its_figure():
    assert table_bar(PPT, Decimal("32.148000")) == "1 kg"
    assert table_bar(PPT, Decimal("32.147")) == ""
    assert table_bar(Decimal("999.8"), Decimal("32.148")) == ""
