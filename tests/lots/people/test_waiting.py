"""What is left of a wait is told in whole seconds, never less than there is."""

from __future__ import annotations

import datetime as dt

import pytest

from lots.people.waiting import left_s

LAST = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("failures", "passed_s", "left"),
    [(5, 0, 1), (5, 0.4, 1), (5, 1, 0), (5, 60, 0), (4, 0, 0), (6, 0.5, 2), (99, 0.001, 300)],
)
def test_what_is_left_is_rounded_up_to_whole_seconds(
    failures: int, passed_s: float, left: int
) -> None:
    assert left_s(failures, 5, LAST, LAST + dt.timedelta(seconds=passed_s)) == left


def test_who_never_failed_does_not_wait() -> None:
    assert left_s(0, 5, None, LAST) == 0
