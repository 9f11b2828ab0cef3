"""What if: before, after and difference side by side, and nothing written."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from django.urls import reverse

from reports.models import Settlement
from tests.builders import row_counts


@pytest.fixture
def suppose(works, browse_as, in_force):
    browser = browse_as(works.operator)

    def get(**given):
        address = reverse("what-if", args=[in_force.code])
        return browser.get(address, {re.sub("^Ag_", "Ag-", name): v for name, v in given.items()})

    return get


def lines(answer):
    return {each.line.key: each for each in answer.context["compared"]}


def test_another_assay_stands_beside_the_settlement_and_nothing_is_written(suppose, in_force):
    before = row_counts(), list(Settlement.objects.values())
    answer = suppose(Ag_umpire="902.9")
    found = lines(answer)
    assert (found["Ag_agreed"].before, found["Ag_agreed"].after) == (900, 903)
    assert found["umpire_fee"].difference == 80
    page = answer.content.decode()
    for said in ("As settled", "+3 ‰", "+80", "Nothing is written", in_force.code):
        assert said in page, said
    counts, rows = before
    # Only that the page was read is kept of a reading; what was reckoned is not.
    assert (row_counts(), list(Settlement.objects.values())) == (counts, rows)


def test_another_weight_and_other_terms(suppose):
    found = lines(suppose(weight_g="2000", Ag_percent="98"))
    assert found["Ag_payable_g"].after == 1764
    assert found["weight"].difference == 1000
    assert found["treatment"].difference == -40


def test_another_umpire_rule_and_treatment_charge(suppose):
    found = lines(suppose(Ag_umpire_rule="umpire", treatment_per_kg="41.5"))
    # The umpire's 900.8 settles, where the nearer party's 900 did.
    assert found["Ag_agreed"].after == Decimal("900.800")
    assert found["treatment"].difference == Decimal("-1.50")


def test_figures_left_as_they_are_change_nothing(suppose, in_force):
    form = suppose().context["form"]
    given = {name: form[name].value() or "" for name in form.fields}
    answer = suppose(**{name.replace("-", "_", 1): value for name, value in given.items()})
    assert "Nothing would change." in answer.content.decode()


@pytest.mark.parametrize(
    ("given", "field"),
    [({"Ag_house": "1001"}, "Ag-house"), ({"weight_g": "heavy"}, "weight_g")],
)
def test_what_cannot_be_is_refused_beside_its_field(suppose, given, field):
    answer = suppose(**given)
    assert (answer.status_code, answer.context["form"].has_error(field)) == (400, True)


def test_an_umpire_still_needed_is_told(suppose, in_force):
    answer = suppose(Ag_splitting_limit_ppt="5")
    assert lines(answer)["Ag_agreed"].after == 901.5


def test_no_customer_supposes(works, browse_as, in_force):
    address = reverse("what-if", args=[in_force.code])
    assert browse_as(works.isolde).get(address).status_code == 404
