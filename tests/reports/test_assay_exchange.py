"""Decision tables of the exchange of assays. Every rule: common practice, no source."""

from __future__ import annotations

from decimal import Decimal
from itertools import product

import pytest

from reports import assay_exchange
from reports.assay_exchange import (
    RULE_TEXTS,
    Branch,
    Exchange,
    FeePayer,
    UmpireRule,
    agreement_of,
    settle_exchange,
)


def settled(house, counterparty, umpire=None, rule="middle", limit="2.0", decimals=3):
    def number(text):
        return None if text is None else Decimal(text)

    return settle_exchange(
        Exchange(
            number(house),
            number(counterparty),
            Decimal(limit),
            UmpireRule(rule),
            number(umpire),
            decimals,
        )
    )


@pytest.mark.parametrize(
    ("house", "counterparty", "expected"),
    [
        ("900.0", "901.0", "900.5"),
        ("901.0", "900.0", "900.5"),
        ("900.0", "900.0", "900.0"),
        ("900.0", "902.0", "901.0"),  # The limit itself is within.
    ],
)
@pytest.mark.parametrize("rule", list(UmpireRule))
@pytest.mark.parametrize("umpire", [None, "899.0"])
def test_within_the_limit_the_mean_settles_whatever_the_umpire_says(
    house, counterparty, expected, rule, umpire
):
    outcome = settled(house, counterparty, umpire, rule)
    assert outcome.settled_ppt == Decimal(expected)
    assert (outcome.branch, outcome.fee_payer) == (Branch.WITHIN_LIMIT, FeePayer.NOBODY)


@pytest.mark.parametrize("rule", list(UmpireRule))
def test_beyond_the_limit_nothing_settles_without_an_umpire(rule):
    outcome = settled("900.0", "902.1", rule=rule)
    assert outcome.settled_ppt is None
    assert (outcome.branch, outcome.fee_payer) == (Branch.UMPIRE_NEEDED, FeePayer.NOBODY)


HOUSE, OTHER, EQUAL = Branch.NEARER_HOUSE, Branch.NEARER_COUNTERPARTY, Branch.EQUALLY_NEAR


# House 900, counterparty 904. The umpire's result: below both, at the house's, nearer the house,
# in the middle, nearer the counterparty, at the counterparty's, above both.
@pytest.mark.parametrize(
    ("umpire", "branch", "nearer", "mean_with_nearer", "middle"),
    [
        ("898.0", HOUSE, "900.0", "899.0", "900.0"),
        ("900.0", HOUSE, "900.0", "900.0", "900.0"),
        ("901.0", HOUSE, "900.0", "900.5", "901.0"),
        ("902.0", EQUAL, "902.0", "902.0", "902.0"),
        ("903.0", OTHER, "904.0", "903.5", "903.0"),
        ("904.0", OTHER, "904.0", "904.0", "904.0"),
        ("907.0", OTHER, "904.0", "905.5", "904.0"),
    ],
)
@pytest.mark.parametrize("turned", [False, True])
def test_umpire_rules(umpire, branch, nearer, mean_with_nearer, middle, turned):
    one, two = ("904.0", "900.0") if turned else ("900.0", "904.0")
    expected = {
        UmpireRule.NEARER: nearer,
        UmpireRule.MEAN_WITH_NEARER: mean_with_nearer,
        UmpireRule.MIDDLE: middle,
        UmpireRule.UMPIRE: umpire,
    }
    other_side = {HOUSE: OTHER, OTHER: HOUSE, EQUAL: EQUAL}
    wanted = other_side[branch] if turned else branch
    payer = {HOUSE: FeePayer.COUNTERPARTY, OTHER: FeePayer.HOUSE, EQUAL: FeePayer.SHARED}
    for rule, value in expected.items():
        outcome = settled(one, two, umpire, rule)
        assert outcome.settled_ppt == Decimal(value), rule
        assert outcome.branch == wanted
        assert outcome.fee_payer == payer[wanted]


def test_without_exchange_the_houses_result_settles():
    outcome = settled("900.1234", None)
    assert (outcome.settled_ppt, outcome.branch) == (Decimal("900.123"), Branch.SOLE)


def by_plain_rules(house, other, umpire, limit, rule):
    """The rules once more, in words of plain Python: the value, which way, who pays."""
    if other is None:
        return house, Branch.SOLE, FeePayer.NOBODY
    if abs(house - other) <= limit:
        return (house + other) / 2, Branch.WITHIN_LIMIT, FeePayer.NOBODY
    if umpire is None:
        return None, Branch.UMPIRE_NEEDED, FeePayer.NOBODY
    from_house, from_other = abs(umpire - house), abs(umpire - other)
    if from_house == from_other:
        nearer, branch, payer = umpire, EQUAL, FeePayer.SHARED
    elif from_house < from_other:
        nearer, branch, payer = house, HOUSE, FeePayer.COUNTERPARTY
    else:
        nearer, branch, payer = other, OTHER, FeePayer.HOUSE
    value = {
        UmpireRule.NEARER: nearer,
        UmpireRule.MEAN_WITH_NEARER: (umpire + nearer) / 2,
        UmpireRule.MIDDLE: sorted([house, other, umpire])[1],
        UmpireRule.UMPIRE: umpire,
    }[rule]
    return value, branch, payer


GRID = [Decimal(text) for text in ("898", "900", "901", "902", "903", "904", "906")]


@pytest.mark.parametrize("rule", list(UmpireRule))
@pytest.mark.parametrize("limit", ["0", "2", "5"])
def test_every_combination_goes_as_the_plain_rules_say_and_every_branch_is_gone(rule, limit):
    gone, paid = set(), set()
    for house, other, umpire in product(GRID, [None, *GRID], [None, *GRID]):
        outcome = settle_exchange(Exchange(house, other, Decimal(limit), rule, umpire, decimals=3))
        expected = by_plain_rules(house, other, umpire, Decimal(limit), rule)
        found = (outcome.settled_ppt, outcome.branch, outcome.fee_payer)
        assert found == expected, (house, other, umpire)
        gone.add(outcome.branch)
        paid.add(outcome.fee_payer)
    assert gone == set(Branch)
    assert paid == set(FeePayer)


def test_the_rules_say_that_they_are_common_practice_without_a_source():
    for text in (assay_exchange.__doc__, settle_exchange.__doc__):
        assert "common practice, no source" in " ".join(text.split()).lower()
    assert set(RULE_TEXTS) == set(UmpireRule)


@pytest.mark.parametrize("rule", list(UmpireRule))
def test_the_outcome_tells_in_words_which_rule_decided(rule):
    outcome = settled("900.0", "904.0", "901.0", rule)
    assert RULE_TEXTS[rule] in outcome.explanation
    assert "over the limit of 2.0" in outcome.explanation
    assert "umpire decides" in settled("900.0", "904.0", None, rule).explanation
    assert "their mean settles" in settled("900.0", "901.0", None, rule).explanation


def test_halves_are_rounded_up_at_the_stated_place():
    assert settled("900.00", "900.01", decimals=2).settled_ppt == Decimal("900.01")


def test_results_agree_when_their_uncertainties_allow_the_difference():
    # k sqrt(0.3^2 + 0.4^2) = 1.96 x 0.5 = 0.98.
    near = agreement_of(Decimal(900), Decimal("0.3"), Decimal("900.9"), Decimal("0.4"))
    far = agreement_of(Decimal(900), Decimal("0.3"), Decimal("901.0"), Decimal("0.4"))
    assert (near.within, near.allowed_ppt) == (True, Decimal("0.9800"))
    assert not far.within
    assert far.difference_ppt == Decimal(1)
    exact = agreement_of(Decimal(900), Decimal(0), Decimal(900), Decimal(0))
    assert exact.within
