"""Ranking and grouping of waiting bags, worked by hand."""

import datetime

import pytest

from cells.slimes_batches import WaitingBag, group_bags, rank_bags
from config.refusals import InvalidError

AS_OF = datetime.date(2026, 3, 31)


def _bag(name, closed, **grams):
    masses = {metal: mass * 1e6 for metal, mass in grams.items()}
    return WaitingBag(
        name, datetime.date.fromisoformat(closed), masses, {m: 0.1 * g for m, g in masses.items()}
    )


BAGS = [
    _bag("N-1", "2026-01-30", Au=1, Ag=30, Cu=500),
    _bag("N-2", "2026-02-28", Au=6, Ag=20),
    _bag("S-1", "2026-03-21", Pd=4, Ag=40),
]


def test_bags_rank_by_precious_mass_when_no_prices_are_given():
    ranked = rank_bags(BAGS, as_of=AS_OF)
    assert [(bag.bag, bag.stake, bag.age_days) for bag in ranked] == [
        ("S-1", 44, 10),
        ("N-1", 31, 60),
        ("N-2", 26, 31),
    ]
    assert [bag.rank_by_age for bag in ranked] == [3, 1, 2]


def test_bags_rank_by_value_with_the_users_prices():
    ranked = rank_bags(BAGS, as_of=AS_OF, weights={"Au": 100, "Pd": 40, "Ag": 1})
    assert [(bag.bag, bag.stake) for bag in ranked] == [("N-2", 620), ("S-1", 200), ("N-1", 130)]
    assert ranked[0].u_stake == pytest.approx((60**2 + 2**2) ** 0.5)


def test_bag_closed_after_the_day_asked_has_no_age():
    assert rank_bags(BAGS, as_of=datetime.date(2026, 1, 1))[0].age_days == 0


def test_oldest_bags_go_first_until_the_batch_is_worthwhile():
    batches = group_bags(rank_bags(BAGS, as_of=AS_OF), stake_min=50)
    assert [batch.bags for batch in batches] == [("N-1", "N-2"), ("S-1",)]
    assert [batch.worthwhile for batch in batches] == [True, False]
    assert [batch.shortfall for batch in batches] == pytest.approx([0, 6])
    assert batches[0].oldest_age_days == 60


def test_biggest_stake_first_when_asked():
    batches = group_bags(rank_bags(BAGS, as_of=AS_OF), stake_min=40, order="stake")
    assert [batch.bags for batch in batches] == [("S-1",), ("N-1", "N-2")]


def test_full_vessel_closes_a_batch_that_is_not_worthwhile():
    batches = group_bags(rank_bags(BAGS, as_of=AS_OF), stake_min=1_000, bags_max=2)
    assert [batch.bags for batch in batches] == [("N-1", "N-2"), ("S-1",)]
    assert not any(batch.worthwhile for batch in batches)


def test_no_bags_make_no_batches():
    assert rank_bags([], as_of=AS_OF) == ()
    assert group_bags([], stake_min=1) == ()


@pytest.mark.parametrize(
    ("bags", "weights", "code", "field"),
    [
        ([BAGS[0], BAGS[0]], {"Au": 1}, "duplicate", "bags"),
        (BAGS, {"Zn": 1}, "unknown_metal", "weights"),
        (BAGS, {"Au": -1}, "too_small", "weights"),
        ([_bag("N-9", "2026-01-30", Zn=1)], {"Au": 1}, "unknown_metal", "mass_ug"),
    ],
)
def test_ranking_refuses(bags, weights, code, field):
    with pytest.raises(InvalidError) as refusal:
        rank_bags(bags, as_of=AS_OF, weights=weights)
    assert (refusal.value.code, refusal.value.field) == (code, field)


@pytest.mark.parametrize(
    ("stake_min", "bags_max", "field"), [(0, None, "stake_min"), (1, 0, "bags_max")]
)
def test_grouping_refuses(stake_min, bags_max, field):
    with pytest.raises(InvalidError) as refusal:
        group_bags(rank_bags(BAGS, as_of=AS_OF), stake_min=stake_min, bags_max=bags_max)
    assert (refusal.value.code, refusal.value.field) == ("too_small", field)
