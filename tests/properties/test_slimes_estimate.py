"""Whatever the charge, a bag's estimate stays within what the charge can give."""

from hypothesis import given, settings
from hypothesis import strategies as st

from cells.electrochemistry.slimes_estimate import (
    ChargePart,
    PastRecovery,
    Share,
    estimate_slimes,
    recovery_factors,
)
from lots.elements import METALS

MASSES = st.dictionaries(st.sampled_from(METALS), st.integers(0, 10**12))
PARTS = st.lists(
    st.builds(
        ChargePart,
        content_ug=MASSES,
        u_content_ug=st.just({}),
        dissolved=st.builds(Share, st.floats(0, 1), st.floats(0, 0.2)),
        other_ug=st.integers(0, 10**10),
    ),
    min_size=1,
    max_size=4,
)
RATIOS = st.lists(
    st.tuples(st.sampled_from("AB"), st.floats(0.2, 2.0), st.floats(0, 0.3)), max_size=12
)


@settings(max_examples=60)
@given(PARTS)
def test_bag_never_expects_more_than_the_charges_held(parts):
    estimate = estimate_slimes(parts)
    for metal, item in estimate.metals.items():
        held = sum(part.content_ug.get(metal, 0) for part in parts)
        assert 0 <= item.mass_ug <= held * (1 + 1e-9)
        assert 0 <= item.low_ug <= item.mass_ug <= item.high_ug


@settings(max_examples=60)
@given(RATIOS)
def test_factor_lies_between_house_and_group_and_next_bag_is_least_sure(rows):
    past = [PastRecovery("Au", group, 1e6, u * 1e6, ratio * 1e6, 0) for group, ratio, u in rows]
    own = [ratio for group, ratio, _ in rows if group == "A"]
    factor = recovery_factors(past, group="A")["Au"]
    low = min([factor.house_factor, *own])
    high = max([factor.house_factor, *own])
    assert low - 1e-9 <= factor.factor <= high + 1e-9
    assert 0 <= factor.towards_house <= 1
    assert 0 < factor.u_factor < factor.u_next


@settings(max_examples=40)
@given(RATIOS)
def test_factor_does_not_depend_on_the_order_of_bags(rows):
    past = [PastRecovery("Au", group, 1e6, u * 1e6, ratio * 1e6, 0) for group, ratio, u in rows]
    one = recovery_factors(past, group="A")["Au"].factor
    other = recovery_factors(past[::-1], group="A")["Au"].factor
    assert abs(one - other) < 1e-9
