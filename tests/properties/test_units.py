"""Whatever the numbers, conversion loses at most half a microgram and shares lose nothing."""

from decimal import Decimal, localcontext
from fractions import Fraction

from hypothesis import example, given, settings
from hypothesis import strategies as st

from config.refusals import InvalidError
from lots.units import (
    MASS_UG_MAX,
    UG_PER_UNIT,
    mass_to_ug,
    parse_decimal,
    parse_mass,
    proportion_ug,
    share_ug,
    ug_to,
    ug_to_g,
)

masses_ug = st.integers(min_value=1, max_value=MASS_UG_MAX)
units = st.sampled_from(sorted(UG_PER_UNIT))
# Weights are masses or counts; a handful of sharers is what a blend or a pool has.
weights = st.lists(st.integers(min_value=0, max_value=MASS_UG_MAX), min_size=1, max_size=12)


@settings(max_examples=200)
@given(mass_ug=masses_ug)
def test_grams_round_trip_exactly(mass_ug):
    assert mass_to_ug(ug_to_g(mass_ug), "g") == mass_ug
    assert parse_mass(f"{ug_to_g(mass_ug):f} g").mass_ug == mass_ug


@settings(max_examples=200)
@given(mass_ug=masses_ug, unit=units)
def test_every_unit_round_trips_at_nine_decimals(mass_ug, unit):
    written = ug_to(mass_ug, unit, 9)
    # Nine decimals of a kilogram or pound are about a microgram, so the trip may end one away.
    allowed = UG_PER_UNIT[unit] * Decimal("5E-10") + Decimal("0.5")
    assert abs(mass_to_ug(written, unit, positive=False) - mass_ug) <= allowed


@settings(max_examples=200)
@given(
    value=st.decimals(min_value=0, max_value=10_000, places=6, allow_nan=False),
    unit=st.sampled_from(["ug", "mg", "g", "gr", "dwt", "ozt", "ozav"]),
)
def test_conversion_is_within_half_a_microgram(value, unit):
    with localcontext(prec=60):
        exact = value * UG_PER_UNIT[unit]
    assert abs(mass_to_ug(value, unit, positive=False) - exact) <= Decimal("0.5")


@settings(max_examples=300)
@given(total_ug=st.integers(min_value=-MASS_UG_MAX, max_value=MASS_UG_MAX), weights=weights)
@example(total_ug=7, weights=[1] * 12)
@example(total_ug=-7, weights=[0, 1, 0, 2])
def test_shares_sum_exactly_and_stay_within_a_microgram(total_ug, weights):
    whole = sum(weights)
    if whole == 0:
        total_ug = 0
    parts = share_ug(total_ug, weights)
    assert sum(parts) == total_ug
    for part, weight in zip(parts, weights, strict=True):
        exact = Fraction(total_ug * weight, whole) if whole else Fraction(0)
        assert abs(part - exact) < 1
        assert weight or part == 0


@settings(max_examples=200)
@given(data=st.data(), total_ug=st.integers(min_value=-MASS_UG_MAX, max_value=MASS_UG_MAX))
def test_proportion_is_the_nearest_microgram_ties_to_even(data, total_ug):
    whole = data.draw(st.integers(min_value=1, max_value=10**12))
    part = data.draw(st.integers(min_value=0, max_value=whole))
    assert proportion_ug(total_ug, part, whole) == round(Fraction(total_ug * part, whole))


def refusal_or_result(function, *args, **kwargs):
    """What `function` answers, or the refusal it raises; anything else it raises is a fault."""
    try:
        return function(*args, **kwargs)
    except InvalidError as refusal:
        return refusal


@settings(max_examples=300)
@given(text=st.text(max_size=60))
def test_any_text_is_a_mass_or_a_refusal_that_names_the_field(text):
    answer = refusal_or_result(parse_mass, text, field="net")
    if isinstance(answer, InvalidError):
        assert answer.field == "net"
    else:
        assert 0 < answer.mass_ug <= MASS_UG_MAX


@settings(max_examples=200)
@given(value=st.one_of(st.decimals(), st.floats(), st.integers(), st.booleans(), st.none()))
def test_any_value_is_a_bounded_number_or_a_refusal(value):
    limits = {"minimum": Decimal(-10), "maximum": Decimal(10)}
    answer = refusal_or_result(parse_decimal, value, field="x", **limits)
    if isinstance(answer, InvalidError):
        assert answer.field == "x"
    else:
        assert -10 <= answer <= 10
        assert answer == value
