"""Whatever is on hand: a plan keeps every limit to the microgram, and "infeasible" is the truth."""

from dataclasses import replace
from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from cells.feed_limits import FeedLimits, FeedWishes, GranuleLot
from cells.feed_plan import plan_feed

G = 1_000_000
STEP = FeedWishes().step_ug


@st.composite
def _lots(draw, *, whole=None, most=5, grain=1):
    """Lots whose masses and contents are whole numbers of `grain` micrograms."""
    lots = []
    for index in range(draw(st.integers(0, most))):
        grains = draw(st.integers(1, 800 * G // grain))
        mass = grains * grain
        copper = draw(st.integers(0, grains // 3)) * grain
        palladium = draw(st.integers(0, grains // 20)) * grain
        lots.append(
            GranuleLot(
                lot=f"L{index}",
                owner=draw(st.sampled_from(["house", "Pellow & Dane"])),
                mass_ug=mass,
                content_ug={"Ag": mass - copper - palladium, "Cu": copper, "Pd": palladium},
                age_days=draw(st.integers(0, 200)),
                due_in_days=draw(st.none() | st.integers(-5, 40)),
                whole_only=draw(st.booleans()) if whole is None else whole,
                take_ug_min=draw(st.sampled_from([0, 0, 50 * G])),
            )
        )
    return lots


@st.composite
def _limits(draw, *, grain=1):
    least = draw(st.integers(0, 900 * G // grain)) * grain
    copper = draw(st.integers(0, 150 * G // grain)) * grain
    return FeedLimits(
        basket_ug_min=least,
        basket_ug_max=max(1, least + draw(st.integers(0, 300 * G // grain)) * grain),
        copper_ug_max=copper,
        palladium_ug_max=draw(st.integers(0, 20 * G // grain)) * grain,
        copper_room_ug=draw(st.none() | st.integers(0, copper)),
        lots_max=draw(st.none() | st.integers(1, 4)),
    )


@settings(max_examples=60, deadline=None)
@given(_lots(), _limits())
def test_plan_never_exceeds_a_limit_or_a_lot(lots, limits):
    plan = plan_feed(lots, limits)
    by_name = {lot.lot: lot for lot in lots}
    if plan.state != "planned":
        return
    for take in plan.takes:
        lot = by_name[take.lot]
        assert 0 < take.mass_ug <= lot.mass_ug
        assert take.whole or not lot.whole_only
        assert take.mass_ug >= min(lot.mass_ug, lot.take_ug_min)
        assert all(take.content_ug[metal] <= lot.content_ug[metal] for metal in lot.content_ug)
    assert plan.mass_ug <= limits.basket_ug_max
    assert plan.mass_ug > limits.basket_ug_min - STEP * max(1, len(lots))
    assert plan.content_ug["Cu"] <= limits.copper_ug_max
    assert plan.content_ug["Pd"] <= limits.palladium_ug_max
    assert limits.lots_max is None or len(plan.takes) <= limits.lots_max
    room = limits.copper_ug_max if limits.copper_room_ug is None else limits.copper_room_ug
    assert plan.bled_copper_ug == max(0, plan.content_ug["Cu"] - room)


@settings(max_examples=40, deadline=None)
@given(_lots(), _limits())
def test_each_remedy_is_enough_by_itself(lots, limits):
    plan = plan_feed(lots, limits)
    if plan.state != "infeasible":
        return
    assert plan.remedies
    for remedy in plan.remedies:
        by = remedy.by
        moved = {
            "basket_min": {"basket_ug_min": max(0, limits.basket_ug_min - by)},
            "basket_max": {"basket_ug_max": limits.basket_ug_max + by},
            "copper_max": {"copper_ug_max": limits.copper_ug_max + by},
            "palladium_max": {"palladium_ug_max": limits.palladium_ug_max + by},
            "lots_max": {"lots_max": (limits.lots_max or 0) + by},
        }[remedy.limit]
        assert plan_feed(lots, replace(limits, **moved)).state == "planned", remedy


@settings(max_examples=60, deadline=None)
@given(_lots(whole=True, most=6, grain=STEP), _limits(grain=STEP))
def test_infeasible_is_true_by_trying_every_set_of_whole_lots(lots, limits):
    # In whole steps: lighter lots are left out, and the solver tells sums apart to micrograms.
    def fits(chosen):
        mass = sum(lot.mass_ug for lot in chosen)
        return (
            limits.basket_ug_min <= mass <= limits.basket_ug_max
            and sum(lot.content_ug["Cu"] for lot in chosen) <= limits.copper_ug_max
            and sum(lot.content_ug["Pd"] for lot in chosen) <= limits.palladium_ug_max
            and (limits.lots_max is None or len(chosen) <= limits.lots_max)
        )

    possible = any(
        fits(chosen) for size in range(len(lots) + 1) for chosen in combinations(lots, size)
    )
    assert plan_feed(lots, limits).state == ("planned" if possible else "infeasible")
