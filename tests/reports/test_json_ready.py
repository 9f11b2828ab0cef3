"""What is kept as plain data is read back as what it was."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from hypothesis import given
from hypothesis import strategies as st

from reports.json_ready import json_ready, read_back


class Side(StrEnum):
    HOUSE = "house"
    UMPIRE = "umpire"


@dataclass(frozen=True)
class Result:
    metal: str
    value: Decimal
    u: Decimal | None = None


@dataclass(frozen=True)
class Report:
    """Every kind of field that is kept."""

    at: dt.datetime
    day: dt.date
    rules: bool
    share: float
    results: tuple[Result, ...] = ()
    by_side: dict[Side, int] = field(default_factory=dict)
    first: Result | None = None


FIGURES = st.decimals(allow_nan=False, allow_infinity=False)
RESULTS = st.builds(Result, st.text(), FIGURES, st.none() | FIGURES)
REPORTS = st.builds(
    Report,
    at=st.datetimes(timezones=st.just(dt.UTC)),
    day=st.dates(),
    rules=st.booleans(),
    share=st.floats(allow_nan=False, allow_infinity=False),
    results=st.lists(RESULTS, max_size=3).map(tuple),
    by_side=st.dictionaries(st.sampled_from(Side), st.integers()),
    first=st.none() | RESULTS,
)


@given(REPORTS)
def test_what_was_made_plain_is_read_back_as_it_was(report: Report) -> None:
    assert read_back(Report, json.loads(json.dumps(json_ready(report)))) == report


def test_what_was_not_kept_yet_has_its_default_and_what_is_not_known_is_left_out() -> None:
    kept = {"metal": "Ag", "value": "999.5", "once": "kept"}
    assert read_back(Result, kept) == Result("Ag", Decimal("999.5"))
    assert read_back(Result | None, None) is None
