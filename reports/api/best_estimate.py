"""How sure a month is, through the API: best estimates, what to doubt, limits of error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from rest_framework import serializers

from lots.api.questions import RECORDED_AS_OF, QuestionView
from lots.api.records import Shown
from reports.api.answers import ReportView
from reports.conventions import SIGN_CONVENTION
from reports.exports.best_estimate import NOTHING_CHANGED, best_estimate_tables
from reports.queries.month.best_estimate import BestEstimate, best_estimate
from reports.queries.month.difference_sequence import DifferenceSequence, difference_sequences
from reports.queries.month.periods import Period, parse_month
from reports.queries.month.suspicions import Suspicion
from reports.statistics.suspects import ALPHA

MONTHS_MAX: Final = 60
_OF_TESTS: Final[dict[str, Any]] = {
    "required": False,
    "default": ALPHA,
    "min_value": 0.0001,
    "max_value": 0.2,
}
ESTIMATE: Final = {
    "recorded_as_of": RECORDED_AS_OF,
    "alpha": serializers.FloatField(
        help_text="The chance of any false alarm among all tests together.", **_OF_TESTS
    ),
}


def _estimate(asked: dict[str, Any], month: str) -> BestEstimate:
    return best_estimate(parse_month(month), asked.get("recorded_as_of"), alpha=asked["alpha"])


class MonthEstimate(ReportView):
    """The best estimate of every flow, reading and holding of a month, reconciled at once.

    Measured, reconciled, adjustment (reconciled less measured), and the standard uncertainty before
    and after.
    """

    asks = ESTIMATE
    shows = {"estimate": (BestEstimate, lambda estimate: estimate)}
    file_name = "best-estimate"
    tables_of = best_estimate_tables

    def answer(self, asked: dict[str, Any], **path: Any) -> BestEstimate:
        return _estimate(asked, path["month"])


class MonthDoubt(QuestionView):
    """Which measurements of a month to doubt, the first to look at first, in plain words."""

    asks = ESTIMATE
    shows = {
        "month": (Period, "period"),
        "suspicions": tuple[Suspicion, ...],
        "statistic": float,
        "dof": int,
        "p_value": float,
        "p_left": float,
        "alpha": float,
        "notes": (list[str], lambda _: [NOTHING_CHANGED]),
    }

    def answer(self, asked: dict[str, Any], **path: Any) -> BestEstimate:
        return _estimate(asked, path["month"])


_ONE: Final = Shown(
    "One month's difference, its count's and its processes' part, and its limits of error.",
    {
        "month": (str, lambda at: str(at[0])),
        "is_counted": (bool, lambda at: at[1].is_counted),
        "counted_ug": (int, lambda at: at[1].counted_ug),
        "process_ug": (int, lambda at: at[1].process_ug),
        "difference_ug": (int, lambda at: round(at[1].whole.difference)),
        "standard_uncertainty_ug": (int, lambda at: round(at[1].whole.u)),
        "limit_of_error_95_ug": (int, lambda at: round(at[1].whole.limit_of_error_95)),
        "limit_of_error_99_ug": (int, lambda at: round(at[1].whole.limit_of_error_99)),
        "verdict": (str, lambda at: at[1].whole.verdict.value),
    },
)


@dataclass(frozen=True)
class SteadyLoss:
    """The likeliest steady loss (negative: gain) a month, and since when; `alarm`: is it one."""

    alarm: bool
    alarm_month: str | None
    is_loss: bool | None
    since: str
    rate_ug: int
    rate_standard_uncertainty_ug: int


def _steady(found: DifferenceSequence) -> SteadyLoss | None:
    tested = found.tested
    if tested is None:
        return None
    in_test = [period for period in found.periods if period not in found.untested]
    alarm = tested.alarm_month
    return SteadyLoss(
        alarm=alarm is not None,
        alarm_month=None if alarm is None else str(in_test[alarm]),
        is_loss=tested.is_loss,
        since=str(in_test[tested.start_month]),
        rate_ug=round(tested.rate),
        rate_standard_uncertainty_ug=round(tested.rate_u),
    )


_MONTHS: Final = Shown(
    "One metal's differences month after month in one area, or (area blank) in all of them.",
    {
        "metal": str,
        "area": str,
        "months": ([_ONE], lambda found: zip(found.periods, found.months, strict=True)),
        "cumulative_ug": (
            tuple[int, ...],
            lambda found: [round(each) for each in found.tested.cumulative] if found.tested else [],
        ),
        "steady": (SteadyLoss | None, _steady),
        "untested": (tuple[str, ...], lambda found: list(map(str, found.untested))),
    },
)


class MonthDifferences(QuestionView):
    """The inventory difference of each metal and area with its limit of error, and its sequence.

    The sequence finds a slow steady loss that no single month shows.
    """

    asks = {
        "months": serializers.IntegerField(
            required=False,
            default=12,
            min_value=1,
            max_value=MONTHS_MAX,
            help_text="How many months, this one the last.",
        ),
        "recorded_as_of": RECORDED_AS_OF,
        "alpha": serializers.FloatField(**_OF_TESTS),
    }
    shows = {"month": Period, "differences": [_MONTHS], "signs": str}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        period = parse_month(path["month"])
        found = difference_sequences(
            period,
            months=asked["months"],
            alpha=asked["alpha"],
            recorded=asked.get("recorded_as_of"),
        )
        return {"month": period, "differences": found, "signs": SIGN_CONVENTION}
