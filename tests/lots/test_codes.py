"""A lot's code is read back whatever the handwriting, and a slip in it is noticed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.refusals import InvalidError
from lots.codes import ALPHABET, NUMBER_MAX, LotCode, make_code, parse_code, pure_check_value

SAMPLES = ["GR26-0417", "SL26-0001", "BR00-9999", "YY99-999999", "AA26-10000"]
LETTERS = ALPHABET[10:]

prefixes = st.text(alphabet=LETTERS, min_size=2, max_size=2)
years = st.integers(min_value=2000, max_value=2099)
numbers = st.integers(min_value=1, max_value=NUMBER_MAX)


def code_of(sample):
    prefix, year, number = sample[:2], 2000 + int(sample[2:4]), int(sample[5:])
    return str(make_code(prefix, year, number))


def is_refused(text):
    try:
        parse_code(text)
    except InvalidError:
        return True
    return False


def test_code_is_made_and_read_back():
    code = make_code("GR", 2026, 417)
    # By hand: 16 24 2 6 0 4 1 7 weighted by 3^8 ... 3^1 sum to 160518 = 31 x 5178, which leaves
    # nothing over, so the check value is the 1 that is wanted.
    assert str(code) == "GR26-0417-1"
    assert parse_code("GR26-0417-1") == code == LotCode("GR", 2026, 417, "1")


@pytest.mark.parametrize(
    "text",
    [
        "gr26-0417-1",
        " GR 26 0417 1 ",
        "gr2604171",
        "G-R-2-6-0-4-1-7-1",
        "GR26–0417–1",
        "GR26-O4I7-I",
    ],
)
def test_case_spaces_hyphens_and_look_alikes_do_not_matter(text):
    assert str(parse_code(text)) == "GR26-0417-1"


@pytest.mark.parametrize("check", [c for c in ALPHABET if c != "1"] + ["Q", "U"])
def test_wrong_check_character_refused(check):
    with pytest.raises(InvalidError) as refusal:
        parse_code(f"GR26-0417-{check}", field="lines.2.lot")
    assert refusal.value.code == "bad_check_character"
    assert refusal.value.field == "lines.2.lot"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "GR26-0417",
        "GR26-417-1",
        "GR26-0000-0",
        "GR26-00417-1",
        "GR26-1000000-1",
        "G126-0417-1",
        "GRX6-0417-1",
        "GR26-0417-1-1",
        "GR26/0417/1",
        "ﬁ26-0417-1",
        "GR٢٦-0417-1",
        "GR26-0417-1" * 1000,
        None,
        True,
        26,
        2.5,
    ],
)
def test_what_has_not_the_shape_of_a_code_is_refused(text):
    with pytest.raises(InvalidError) as refusal:
        parse_code(text, field="lot")
    assert refusal.value.code == "bad_code"
    assert refusal.value.field == "lot"


@pytest.mark.parametrize(
    ("parts", "field"),
    [
        (("G", 2026, 1), "prefix"),
        (("GRX", 2026, 1), "prefix"),
        (("gr", 2026, 1), "prefix"),
        (("IO", 2026, 1), "prefix"),
        (("G1", 2026, 1), "prefix"),
        (("GR", 1999, 1), "year"),
        (("GR", 2100, 1), "year"),
        (("GR", 2026, 0), "number"),
        (("GR", 2026, NUMBER_MAX + 1), "number"),
    ],
)
def test_no_code_from_impossible_parts(parts, field):
    with pytest.raises(InvalidError) as refusal:
        make_code(*parts)
    assert refusal.value.code == "bad_code"
    assert refusal.value.field == field


@pytest.mark.parametrize("sample", SAMPLES)
def test_every_substitution_of_one_character_is_noticed(sample):
    plain = code_of(sample).replace("-", "")
    for place, written in enumerate(plain):
        for slip in ALPHABET:
            if slip != written:
                assert is_refused(plain[:place] + slip + plain[place + 1 :])


@pytest.mark.parametrize("sample", SAMPLES)
def test_every_exchange_of_two_characters_is_noticed(sample):
    plain = code_of(sample).replace("-", "")
    for left in range(len(plain)):
        for right in range(left + 1, len(plain)):
            swapped = list(plain)
            swapped[left], swapped[right] = swapped[right], swapped[left]
            assert plain[left] == plain[right] or is_refused("".join(swapped))


@settings(max_examples=200)
@given(prefix=prefixes, year=years, number=numbers)
def test_any_code_reads_back(prefix, year, number):
    code = make_code(prefix, year, number)
    assert parse_code(str(code)) == code
    assert parse_code(str(code).lower().replace("-", " ")) == code


@settings(max_examples=300)
@given(prefix=prefixes, year=years, number=numbers, data=st.data())
def test_any_single_slip_is_noticed(prefix, year, number, data):
    plain = str(make_code(prefix, year, number)).replace("-", "")
    place = data.draw(st.integers(min_value=0, max_value=len(plain) - 1))
    slip = data.draw(st.sampled_from([c for c in ALPHABET if c != plain[place]]))
    assert is_refused(plain[:place] + slip + plain[place + 1 :])
    right = data.draw(st.integers(min_value=1, max_value=len(plain) - 1))
    swapped = plain[: right - 1] + plain[right] + plain[right - 1] + plain[right + 1 :]
    assert swapped == plain or is_refused(swapped)


@settings(max_examples=300)
@given(text=st.text(max_size=50))
def test_any_text_is_a_code_or_is_refused(text):
    if not is_refused(text):
        code = parse_code(text)
        assert parse_code(str(code)) == code


def test_check_value_makes_the_weighted_sum_one():
    values = [16, 24, 2, 6, 0, 4, 1, 7]
    check = pure_check_value(values, 31, 3)
    weighted = sum(v * 3**w for v, w in zip([*values, check], range(8, -1, -1), strict=True))
    assert weighted % 31 == 1
