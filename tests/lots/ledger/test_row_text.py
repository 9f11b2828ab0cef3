"""A value has one text, and a text that is not the one its column would write is refused."""

from __future__ import annotations

import pytest

from lots.ledger.row_text import Column, Kind, canonical_json, reader_of, writer_of

FOUR_PLACES = Column("ppt", Kind.DECIMAL, digits=7, decimals=4)
SHORT = Column("code", Kind.TEXT, length_max=4)


@pytest.mark.parametrize(
    ("column", "text"),
    [
        (Column("mass_ug", Kind.INTEGER), "-12"),
        (Column("mass_ug", Kind.INTEGER), str(2**63 - 1)),
        (Column("mass_ug", Kind.INTEGER), str(-(2**63))),
        (Column("share", Kind.NUMBER), "0.25"),
        (Column("share", Kind.NUMBER), "1e+16"),
        (FOUR_PLACES, "925.0000"),
        (FOUR_PLACES, "-999.9999"),
        (Column("is_on", Kind.BOOLEAN), "false"),
        (Column("day", Kind.DATE), "2026-05-04"),
        (Column("at", Kind.MOMENT), "2026-05-04T09:00:00.000000Z"),
        (Column("case", Kind.JSON), '{"a":[1,0.5],"b":"é"}'),
        (Column("none", Kind.INTEGER, is_nullable=True), ""),
        (SHORT, "abcd"),
        (SHORT, ""),
    ],
)
def test_what_is_written_is_read_and_written_again_alike(column: Column, text: str) -> None:
    assert writer_of(column)(reader_of(column)(text)) == text


@pytest.mark.parametrize(
    ("column", "text"),
    [
        (Column("mass_ug", Kind.INTEGER), "012"),
        (Column("mass_ug", Kind.INTEGER), ""),
        (Column("mass_ug", Kind.INTEGER), str(2**63)),
        (Column("mass_ug", Kind.INTEGER), str(-(2**63) - 1)),
        (Column("share", Kind.NUMBER), "0.250"),
        (Column("share", Kind.NUMBER), "inf"),
        (Column("share", Kind.NUMBER), "nan"),
        (FOUR_PLACES, "925"),
        (FOUR_PLACES, "925.00000"),
        (FOUR_PLACES, "1000.0000"),
        (FOUR_PLACES, "1e2"),
        (Column("is_on", Kind.BOOLEAN), "True"),
        (Column("day", Kind.DATE), "2026-5-4"),
        (Column("at", Kind.MOMENT), "2026-05-04T09:00:00Z"),
        (Column("case", Kind.JSON), '{"b":1,"a":1}'),
        (SHORT, "abcde"),
    ],
)
def test_another_text_for_a_value_is_refused(column: Column, text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        reader_of(column)(text)


def test_one_number_has_one_text_in_json_whatever_database_kept_it() -> None:
    assert canonical_json([1e16, -1.5e16, -0.0, 0.1]) == f"[{10**16},{-15 * 10**15},0.0,0.1]"
    with pytest.raises(ValueError, match="JSON"):
        canonical_json({"u": float("nan")})
