"""How sure a month is, through the API: best estimates, what to doubt, limits of error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from rest_framework import serializers

from lots.api.questions import Question, QuestionView
from reports.api.answers import ReportQuestion, ReportView
from reports.conventions import SIGN_CONVENTION
from reports.exports.best_estimate import NOTHING_CHANGED, best_estimate_tables
from reports.exports.tables import Table
from reports.queries.month.best_estimate import BestEstimate, best_estimate
from reports.queries.month.difference_sequence import (
    DifferenceSequence,
    MonthDifference,
    difference_sequences,
)
from reports.queries.month.periods import Period, parse_month
from reports.queries.month.suspicions import Suspicion
from reports.statistics.inventory_difference import Difference
from reports.statistics.suspects import ALPHA

MONTHS_MAX: Final = 60


class EstimateQuestion(Question):
    recorded_as_of = serializers.DateTimeField(
        required=False,
        help_text="As the books, as recorded by this moment, said: all of them if left out.",
    )
    alpha = serializers.FloatField(
        required=False,
        default=ALPHA,
        min_value=0.0001,
        max_value=0.2,
        help_text="The chance of any false alarm among all tests together.",
    )


def _estimate(asked: dict[str, Any], month: str) -> BestEstimate:
    return best_estimate(parse_month(month), asked.get("recorded_as_of"), alpha=asked["alpha"])


class EstimateReportQuestion(ReportQuestion, EstimateQuestion):
    pass


class MonthEstimate(ReportView):
    """The best estimate of every flow, reading and holding of a month, reconciled at once.

    Measured, reconciled, adjustment (reconciled less measured), and the standard uncertainty before
    and after.
    """

    asks = EstimateReportQuestion
    shows = {"estimate": BestEstimate}
    file_name = "best-estimate"

    def answer(self, asked: dict[str, Any], **path: Any) -> BestEstimate:
        return _estimate(asked, path["month"])

    def shown(self, answered: BestEstimate) -> Any:
        return {"estimate": answered}

    def tables(self, answered: BestEstimate) -> list[Table]:
        return best_estimate_tables(answered, ())


class MonthDoubt(QuestionView):
    """Which measurements of a month to doubt, the first to look at first, in plain words."""

    asks = EstimateQuestion
    shows = {
        "month": Period,
        "suspicions": tuple[Suspicion, ...],
        "statistic": float,
        "dof": int,
        "p_value": float,
        "p_left": float,
        "alpha": float,
        "notes": list[str],
    }

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        estimate = _estimate(asked, path["month"])
        return {
            "month": estimate.period,
            "suspicions": estimate.suspicions,
            "statistic": estimate.statistic,
            "dof": estimate.dof,
            "p_value": estimate.p_value,
            "p_left": estimate.p_left,
            "alpha": estimate.alpha,
            "notes": [NOTHING_CHANGED],
        }


class DifferencesQuestion(Question):
    months = serializers.IntegerField(
        required=False,
        default=12,
        min_value=1,
        max_value=MONTHS_MAX,
        help_text="How many months, this one the last.",
    )
    recorded_as_of = serializers.DateTimeField(
        required=False,
        help_text="As the books, as recorded by this moment, said: all of them if left out.",
    )
    alpha = serializers.FloatField(required=False, default=ALPHA, min_value=0.0001, max_value=0.2)


@dataclass(frozen=True)
class OneMonth:
    """One month's difference, its count's and its processes' part, and its limits of error."""

    month: str
    is_counted: bool
    counted_ug: int
    process_ug: int
    difference_ug: int
    standard_uncertainty_ug: int
    limit_of_error_95_ug: int
    limit_of_error_99_ug: int
    verdict: str


@dataclass(frozen=True)
class SteadyLoss:
    """The likeliest steady loss (negative: gain) a month, and since when; `alarm`: is it one."""

    alarm: bool
    alarm_month: str | None
    is_loss: bool | None
    since: str
    rate_ug: int
    rate_standard_uncertainty_ug: int


@dataclass(frozen=True)
class Months:
    """One metal's differences month after month in one area, or (area blank) in all of them."""

    metal: str
    area: str
    months: tuple[OneMonth, ...]
    cumulative_ug: tuple[int, ...]
    steady: SteadyLoss | None
    untested: tuple[str, ...]


class MonthDifferences(QuestionView):
    """The inventory difference of each metal and area with its limit of error, and its sequence.

    The sequence finds a slow steady loss that no single month shows.
    """

    asks = DifferencesQuestion
    shows = {"month": Period, "differences": tuple[Months, ...], "signs": str}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        period = parse_month(path["month"])
        found = difference_sequences(
            period,
            months=asked["months"],
            alpha=asked["alpha"],
            recorded=asked.get("recorded_as_of"),
        )
        return {
            "month": period,
            "differences": tuple(map(_months, found)),
            "signs": SIGN_CONVENTION,
        }


def _months(found: DifferenceSequence) -> Months:
    tested = found.tested
    return Months(
        metal=found.metal,
        area=found.area,
        months=tuple(
            _one(period, each) for period, each in zip(found.periods, found.months, strict=True)
        ),
        cumulative_ug=() if tested is None else tuple(round(each) for each in tested.cumulative),
        steady=_steady(found),
        untested=tuple(map(str, found.untested)),
    )


def _one(period: Period, each: MonthDifference) -> OneMonth:
    whole: Difference = each.whole
    return OneMonth(
        month=str(period),
        is_counted=each.is_counted,
        counted_ug=each.counted_ug,
        process_ug=each.process_ug,
        difference_ug=round(whole.difference),
        standard_uncertainty_ug=round(whole.u),
        limit_of_error_95_ug=round(whole.limit_of_error_95),
        limit_of_error_99_ug=round(whole.limit_of_error_99),
        verdict=whole.verdict.value,
    )


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
