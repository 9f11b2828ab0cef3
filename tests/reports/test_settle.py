"""Settlements reckoned by hand beside the program. The shape: common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from config.refusals import ConflictError, InvalidError
from reports.assay_exchange import Branch
from reports.formulas import evaluate
from reports.settle import settle
from reports.settlement_lines import Case, Evidence, Figure, MetalFigures, changes
from reports.terms import parse_terms, terms_as_json

TERMS = {
    "currency": "EUR",
    "settle_in": "money",
    "metals": [
        {
            "metal": "Ag",
            "splitting_limit_ppt": "2",
            "umpire_rule": "middle",
            "refining_charge_per_ozt": "0.50",
            "accountability": [
                {"from_ppt": "0", "percent": "97", "minimum_deduction_ppt": "10"},
                {"from_ppt": "900", "percent": "99.5", "minimum_deduction_ppt": "3"},
            ],
        }
    ],
    "treatment": [{"from_kg": "0", "per_kg": "40"}, {"from_kg": "5", "per_kg": "30"}],
    "treatment_minimum": "60",
    "assay_fee": "25",
    "umpire_fee": "80",
}


def figure(text, kind="user", ref="1"):
    return Figure(Decimal(text), (Evidence(kind, ref),))


def case(terms=None, house="901.5", counterparty="900.5", weight="2500", **more):
    silver = MetalFigures(
        "Ag",
        house=figure(house, "assay", "7") if house else None,
        counterparty=figure(counterparty, "assay", "8") if counterparty else None,
        umpire=figure(more.pop("umpire"), "assay", "9") if "umpire" in more else None,
        fixings=tuple(figure(each, "price") for each in more.pop("fixings", ["30.25"])),
    )
    weight_g = figure(weight, "weighing", "3")
    return Case(parse_terms(terms or TERMS), weight_g, (silver,), **more)


def money(statement, key):
    return statement.line(key).value


def test_a_lot_settled_in_money():
    statement = settle(case())
    # 2500 g at 901.000: payable the lesser of 896.495 and 898.000.
    assert money(statement, "Ag_agreed") == Decimal("901.000")
    assert money(statement, "Ag_contained") == Decimal("2252.500000")
    assert money(statement, "Ag_payable_ppt") == Decimal("896.4950")
    assert statement.payable_ug == {"Ag": 2_241_237_500}
    # 2241.2375 g are 72.0574... troy ounces.
    assert money(statement, "Ag_payable_ozt") == Decimal("72.057")
    assert money(statement, "Ag_value") == Decimal("2179.72")
    assert money(statement, "Ag_refining") == Decimal("-36.03")
    # 2.5 kg at 40 is 100, above the least of 60.
    assert money(statement, "treatment") == Decimal("-100.00")
    assert money(statement, "assay_fee") == Decimal("-25.00")
    assert statement.total == Decimal("2018.69")
    assert statement.branches == {"Ag": Branch.WITHIN_LIMIT}


def test_every_line_follows_from_the_lines_above_it():
    statement = settle(case(umpire="899", counterparty="895"))
    values: dict[str, Decimal] = {}
    for line in statement.lines:
        if line.formula:
            assert evaluate(line.formula, values) == line.value
            assert line.rounding
        else:
            assert line.evidence or line.key == "umpire_fee_share"
        values[line.key] = line.value


def test_a_lot_settled_in_metal_gives_metal_and_bills_the_charges():
    statement = settle(case(TERMS | {"settle_in": "metal"}))
    assert statement.payable_ug == {"Ag": 2_241_237_500}
    assert {line.key for line in statement.lines}.isdisjoint({"Ag_price", "Ag_value"})
    assert statement.total == Decimal("-161.03")


@pytest.mark.parametrize(
    ("results", "payable"),
    [
        (("800", "800"), "776.0000"),  # 97 % is less than 790.
        (("300", "300"), "290.0000"),  # The least deduction of 10 is more than 3 %.
        (("900", "900"), "895.5000"),  # The higher tier begins at 900 itself.
        (("899.999", "899.999"), "872.9990"),
        (("8", "8"), "0.0000"),  # Never below nought.
    ],
)
def test_accountability_by_tier_and_least_deduction(results, payable):
    statement = settle(case(house=results[0], counterparty=results[1]))
    assert money(statement, "Ag_payable_ppt") == Decimal(payable)


@pytest.mark.parametrize(
    ("weight", "charge"),
    [("1000", "-60.00"), ("2000", "-80.00"), ("4999.9", "-200.00"), ("5000", "-150.00")],
)
def test_treatment_charge_by_tier_with_its_minimum(weight, charge):
    assert money(settle(case(weight=weight)), "treatment") == Decimal(charge)


@pytest.mark.parametrize(
    ("umpire", "agreed", "fee"),
    [("901", "901.000", None), ("900", "900.000", "-80.00"), ("899.5", "899.500", "-40.00")],
)
def test_the_further_party_pays_the_umpire(umpire, agreed, fee):
    results = {"901": ("904", "899"), "900": ("901", "898"), "899.5": ("902", "897")}[umpire]
    statement = settle(case(house=results[0], counterparty=results[1], umpire=umpire))
    assert money(statement, "Ag_agreed") == Decimal(agreed)
    keys = {line.key for line in statement.lines}
    if fee is None:  # 901 is nearer to 899 than to 904: the house pays its own way.
        assert money(statement, "umpire_fee") == Decimal("0.00")
    else:
        assert "umpire_fee" in keys
        assert money(statement, "umpire_fee") == Decimal(fee)


def test_penalty_only_above_its_limit():
    terms = TERMS | {
        "penalties": [
            {"element": "Pb", "limit_ppt": "2", "per_ppt_and_kg": "1.5"},
            {"element": "Cd", "limit_ppt": "1", "per_ppt_and_kg": "4"},
        ]
    }
    impurities = {"Pb": figure("3.2"), "Cd": figure("0.4")}
    statement = settle(case(terms, impurities_ppt=impurities))
    assert money(statement, "penalty_1") == Decimal("-4.50")
    assert money(statement, "penalty_2") == Decimal("0.00")
    with pytest.raises(ConflictError) as refused:
        settle(case(terms, impurities_ppt={"Pb": figure("3.2")}))
    assert (refused.value.code, refused.value.field) == ("impurity_missing", "impurities.Cd")


def test_price_is_the_rounded_mean_of_the_fixings():
    statement = settle(
        case(TERMS | {"price_basis": "average"}, fixings=["30.25", "30.50", "31.00"])
    )
    assert money(statement, "Ag_price") == Decimal("30.5833")
    assert statement.line("Ag_price").label == "Price, average of the fixings"


def test_tax_is_the_users_own_line():
    statement = settle(case(tax=figure("-12.34")))
    assert statement.total == Decimal("2006.35")


def test_provisional_settlement_pays_a_part_on_the_lower_result():
    terms = TERMS | {"provisional_percent": "90"}
    statement = settle(case(terms, house="904", counterparty="900", is_provisional=True))
    assert money(statement, "Ag_agreed") == Decimal("900.000")
    assert statement.branches == {"Ag": Branch.UMPIRE_NEEDED}
    assert statement.total == (money(statement, "full") * Decimal("0.9")).quantize(Decimal("0.01"))
    alone = settle(case(terms, counterparty=None, is_provisional=True))
    assert money(alone, "Ag_agreed") == Decimal("901.500")


@pytest.mark.parametrize(
    ("missing", "code", "field"),
    [
        ({"house": None}, "result_missing", "assays.Ag"),
        ({"counterparty": None}, "result_missing", "assays.Ag"),
        ({"house": "904"}, "umpire_needed", "assays.Ag"),
        ({"fixings": []}, "price_missing", "prices.Ag"),
    ],
)
def test_a_final_settlement_is_refused_while_something_is_missing(missing, code, field):
    with pytest.raises(ConflictError) as refused:
        settle(case(**missing))
    assert (refused.value.code, refused.value.field) == (code, field)


def test_changes_name_each_line_that_differs():
    before = settle(case())
    after = settle(case(fixings=["31.25"]))
    found = {change.key: change.difference for change in changes(before, after)}
    assert found == {
        "Ag_fixing_1": Decimal("1.00"),
        "Ag_price": Decimal("1.0000"),
        "Ag_value": Decimal("72.06"),
        "total": Decimal("72.06"),
    }


def test_terms_are_frozen_as_plain_data_and_read_back_alike():
    terms = parse_terms(TERMS)
    assert parse_terms(terms_as_json(terms)) == terms


@pytest.mark.parametrize(
    ("spoilt", "code", "field"),
    [
        ({"metals": []}, "missing", "terms.metals"),
        ({"currency": "euro"}, "not_a_currency", "terms.currency"),
        ({"settle_in": "kind"}, "unknown_choice", "terms.settle_in"),
        ({"assay_fee": "NaN"}, "not_a_number", "terms.assay_fee"),
        ({"assay_fee": "-1"}, "too_small", "terms.assay_fee"),
        ({"assay_fee": 1e308}, "not_a_number", "terms.assay_fee"),
        ({"provisional_percent": "101"}, "too_large", "terms.provisional_percent"),
        ({"discount": "1"}, "unknown_field", "terms.discount"),
        ({"treatment": [{"from_kg": "1", "per_kg": "4"}]}, "not_in_order", "terms.treatment.0"),
        ({"metals": [{"metal": "Zn"}]}, "unknown_metal", "terms.metals.0.metal"),
        ({"metals": [{"metal": "Ag"}, {"metal": "Ag"}]}, "duplicate_metal", "terms.metals.1"),
        ({"treatment": "none"}, "not_a_list", "terms.treatment"),
        ({"rounding": {"money": "2.5"}}, "too_many_digits", "terms.rounding.money"),
        ({"exchanged": "yes"}, "unknown_choice", "terms.exchanged"),
        ({"rounding": []}, "not_an_object", "terms.rounding"),
    ],
)
def test_terms_that_cannot_be_are_refused(spoilt, code, field):
    with pytest.raises(InvalidError) as refused:
        parse_terms(TERMS | spoilt)
    assert (refused.value.code, refused.value.field) == (code, field)


def test_without_exchange_only_the_houses_result_is_looked_at():
    terms = parse_terms(TERMS | {"exchanged": False})
    given = case()
    statement = settle(replace(given, terms=terms))
    assert money(statement, "Ag_agreed") == Decimal("901.500")
    assert "Ag_counterparty" not in {line.key for line in statement.lines}


def test_a_dry_weight_is_what_was_received_less_its_moisture():
    dry = case(TERMS | {"weight_basis": "received_dry"}, moisture_ppt=figure("12.5"))
    statement = settle(dry)
    # 2500 g less 12.5 parts per thousand is 2468.75 g; 2.46875 kg at 40 is 98.75.
    assert money(statement, "received") == Decimal(2500)
    assert money(statement, "weight") == Decimal("2468.750000")
    assert money(statement, "Ag_contained") == Decimal("2224.343750")
    assert money(statement, "treatment") == Decimal("-98.75")
    with pytest.raises(ConflictError) as refused:
        settle(replace(dry, moisture_ppt=None))
    assert (refused.value.code, refused.value.field) == ("moisture_missing", "moisture_ppt")
