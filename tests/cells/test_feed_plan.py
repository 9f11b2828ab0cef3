"""The feed plan: choices that can be checked by hand, and what is said when nothing fits."""

from dataclasses import replace

import pytest

from cells.feed_limits import FeedLimits, FeedWishes, GranuleLot
from cells.feed_plan import plan_feed
from config.refusals import InvalidError

G = 1_000_000


def _lot(name, mass_g, *, cu=0.0, pd=0.0, owner="house", **more):
    """A lot of `mass_g` grams; cu and pd are grams per gram, the rest silver."""
    mass = round(mass_g * G)
    copper, palladium = round(mass * cu), round(mass * pd)
    content = {"Ag": mass - copper - palladium, "Cu": copper, "Pd": palladium}
    return GranuleLot(name, owner, mass, content, **more)


def _limits(**changes):
    limits = FeedLimits(
        basket_ug_min=900 * G,
        basket_ug_max=1000 * G,
        copper_ug_max=60 * G,
        palladium_ug_max=5 * G,
    )
    return replace(limits, **changes)


def _taken(plan):
    return {take.lot: take.mass_ug / G for take in plan.takes}


def test_basket_is_filled_from_the_oldest_lots():
    plan = plan_feed([_lot("A", 700, age_days=5), _lot("B", 700, age_days=50)], _limits())
    assert plan.state == "planned"
    assert _taken(plan) == {"A": 300.0, "B": 700.0}
    assert plan.mass_ug == 1000 * G
    assert plan.tight == ("basket_max",)
    assert plan.proven_best


def test_copper_limit_blends_rich_feed_with_poor():
    # 1000 g with at most 60 g copper from 7.5 % and 0.5 % lots: 0.075 r + 0.005 (1000 - r) = 60,
    # so r = 785.714 g; planned down to 0.01 g.
    old = _lot("sterling", 2000, cu=0.075, age_days=90)
    plan = plan_feed([old, _lot("fine", 2000, cu=0.005)], _limits())
    assert _taken(plan) == {"sterling": 785.71, "fine": 214.28}
    assert plan.content_ug["Cu"] <= 60 * G
    assert plan.tight == ("basket_max", "copper_max")


def test_palladium_limit_holds_back_the_contacts():
    plan = plan_feed([_lot("contacts", 900, pd=0.02, age_days=400), _lot("fine", 900)], _limits())
    # 5 g of palladium at 2 % are 250 g of contacts.
    assert _taken(plan)["contacts"] == pytest.approx(250.0)
    assert "palladium_max" in plan.tight


def test_due_lot_goes_before_an_older_one():
    old, due = _lot("old", 1000, age_days=60), _lot("due", 600, age_days=2, due_in_days=3)
    assert _taken(plan_feed([old, due], _limits())) == {"due": 600.0, "old": 400.0}
    far = replace(due, due_in_days=90)
    assert _taken(plan_feed([old, far], _limits())) == {"old": 1000.0}


def test_bleed_is_avoided_while_fine_feed_lasts_and_counted_when_not():
    lots = [_lot("sterling", 2000, cu=0.075, age_days=9), _lot("fine", 600, age_days=9)]
    room = _limits(copper_ug_max=100 * G, copper_room_ug=30 * G)
    plan = plan_feed(lots, room)
    # 30 g of room takes 400 g of 7.5 % feed; with 600 g of fine that fills the basket.
    assert _taken(plan) == {"sterling": 400.0, "fine": 600.0}
    assert (plan.bled_copper_ug, plan.bleed_volume_l) == (0, 0.0)
    forced = plan_feed([lots[0]], room)
    # Only sterling: the least basket of 900 g brings 67.5 g, 37.5 g more than there is room for.
    assert forced.mass_ug == 900 * G
    assert forced.bled_copper_ug == 37_500_000
    assert forced.bleed_volume_l == pytest.approx(37.5 / 60)


def test_whole_lots_are_taken_whole_or_left():
    lots = [_lot(name, mass, whole_only=True) for name, mass in (("A", 480), ("B", 520), ("C", 90))]
    plan = plan_feed(lots, _limits())
    assert _taken(plan) == {"A": 480.0, "B": 520.0}
    assert all(take.whole for take in plan.takes)


def test_least_worth_taking_is_kept():
    lots = [_lot("A", 950, age_days=9), _lot("B", 500, take_ug_min=100 * G)]
    plan = plan_feed(lots, _limits())
    # 50 g of B would fill the basket, but B is taken from 100 g: better leave it, because 900 g
    # of A and 100 g of B are worth more than 950 g of A alone.
    assert _taken(plan) == {"A": 900.0, "B": 100.0}


def test_number_of_lots_is_limited():
    lots = [_lot(name, 400) for name in "ABCD"]
    plan = plan_feed([*lots, _lot("E", 950)], _limits(lots_max=2))
    assert len(plan.takes) == 2
    assert plan.mass_ug == 1000 * G


def test_owners_and_content_add_up():
    lots = [_lot("A", 500, owner="Isolde Brackwater", cu=0.05), _lot("B", 500, owner="house")]
    plan = plan_feed(lots, _limits())
    assert plan.owners_ug == {"Isolde Brackwater": 500 * G, "house": 500 * G}
    assert plan.content_ug["Cu"] == 25 * G
    assert sum(plan.content_ug.values()) == plan.mass_ug


def test_equal_lots_are_taken_by_name_whatever_their_order():
    lots = [_lot(name, 1000) for name in ("C", "A", "B")]
    assert _taken(plan_feed(lots, _limits())) == {"A": 1000.0}
    assert plan_feed(lots, _limits()) == plan_feed(lots[::-1], _limits())


def test_too_little_on_hand_says_how_much_lighter():
    plan = plan_feed([_lot("A", 650)], _limits())
    assert plan.state == "infeasible"
    assert [remedy.limit for remedy in plan.remedies] == ["basket_min"]
    assert plan.remedies[0].by == pytest.approx(250 * G, abs=1_100)
    assert "250.001 g lighter" in plan.remedies[0].message


def test_copper_that_binds_says_by_how_much():
    plan = plan_feed([_lot("A", 2000, cu=0.1)], _limits())
    by = {remedy.limit: remedy.by for remedy in plan.remedies}
    # 900 g bring 90 g of copper against 60 g; 60 g of copper allow 600 g of feed.
    assert by["copper_max"] == pytest.approx(30 * G, abs=1_100)
    assert by["basket_min"] == pytest.approx(300 * G, abs=1_100)
    assert set(by) == {"copper_max", "basket_min"}


def test_whole_lots_that_do_not_fit_say_a_larger_basket():
    lots = [_lot("A", 800, whole_only=True), _lot("B", 850, whole_only=True)]
    by = {remedy.limit: remedy.by for remedy in plan_feed(lots, _limits()).remedies}
    assert by["basket_max"] == pytest.approx(650 * G, abs=1_100)
    assert by["basket_min"] == pytest.approx(50 * G, abs=1_100)


def test_too_few_lots_allowed_says_how_many_more():
    lots = [_lot(name, 300) for name in "ABCD"]
    by = {remedy.limit: remedy.by for remedy in plan_feed(lots, _limits(lots_max=1)).remedies}
    assert by["lots_max"] == 2


def test_dust_below_a_step_is_left_out():
    dust = GranuleLot("dust", "house", 9_999, {"Ag": 9_999}, age_days=999)
    assert _taken(plan_feed([dust, _lot("A", 950)], _limits())) == {"A": 950.0}


def test_nothing_on_hand_is_infeasible():
    assert plan_feed([], _limits()).state == "infeasible"
    assert plan_feed([], _limits(basket_ug_min=0)).takes == ()


@pytest.mark.parametrize(
    ("lots", "limits", "code", "field"),
    [
        ([_lot("A", 1), _lot("A", 1)], {}, "duplicate", "lots"),
        ([GranuleLot("A", "house", 0, {})], {}, "too_small", "mass_ug"),
        ([GranuleLot("A", "house", 5, {"Ag": 6})], {}, "content_above_mass", "content_ug"),
        ([GranuleLot("A", "house", 5, {"Zn": 1})], {}, "unknown_metal", "content_ug"),
        ([GranuleLot("A", "house", 5, {"Ag": -1})], {}, "too_small", "content_ug"),
        ([], {"basket_ug_min": 1001 * G}, "limits_reversed", "basket_ug_min"),
        ([], {"copper_ug_max": -1}, "too_small", "copper_ug_max"),
        ([], {"copper_room_ug": 61 * G}, "too_large", "copper_room_ug"),
        ([], {"lots_max": 0}, "too_small", "lots_max"),
        ([], {"bleed_g_per_l": 0.0}, "too_small", "bleed_g_per_l"),
    ],
)
def test_impossible_terms_are_refused(lots, limits, code, field):
    with pytest.raises(InvalidError) as refusal:
        plan_feed(lots, _limits(**limits))
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_impossible_wishes_are_refused():
    with pytest.raises(InvalidError) as refusal:
        plan_feed([_lot("A", 1)], _limits(), FeedWishes(step_ug=0))
    assert (refusal.value.code, refusal.value.field) == ("too_small", "step_ug")
