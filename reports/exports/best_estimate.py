"""The best estimate, the doubts and the inventory differences as sheets of the month's workbook."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from reports.conventions import OUNCE_RULE, SIGN_CONVENTION
from reports.exports.tables import Column, Kind, Row, Table, cells_of, in_digits
from reports.queries.month.best_estimate import BestEstimate
from reports.queries.month.difference_sequence import DifferenceSequence, MonthDifference
from reports.queries.month.suspicions import Proposal

NOTHING_CHANGED: Final = (
    "Best estimates reconcile all readings of the month with the conservation of each metal and "
    "the balance of charge of each run. They change nothing on the books."
)
UNCERTAINTY_RULE: Final = (
    "u is a standard uncertainty; twice it covers about 95 %. Errors that figures have in common "
    "(a balance, a laboratory, an assay) are counted as common."
)
_HOLDINGS: Final = (
    Column("metal", "Metal", width=8),
    Column("area", "Area", width=20, of="area_name"),
    Column("book", "Book", Kind.MASS, 18),
    Column("book_u", "u of the book", Kind.MASS, 16),
    Column("best", "Best estimate", Kind.MASS, 18),
    Column("best_u", "u of the estimate", Kind.MASS, 16),
    Column("aside", "With the doubted readings set aside", Kind.MASS, 18, of="set_aside_ug"),
    Column("aside_u", "u of that", Kind.MASS, 16, of="set_aside_u_ug"),
    Column("by_book", "Of it known by the book alone", Kind.MASS, 18),
)
_FLOWS: Final = (
    Column("movement", "Movement", Kind.WHOLE, 10),
    Column("metal", "Metal", width=8),
    Column("giver", "From", width=16),
    Column("taker", "To", width=16),
    Column("measured", "Measured", Kind.MASS, 18),
    Column("u_before", "u before", Kind.MASS, 16),
    Column("reconciled", "Reconciled", Kind.MASS, 18),
    Column("u_after", "u after", Kind.MASS, 16),
    Column("adjustment", "Adjustment", Kind.MASS, 18),
    Column("standing", "Standing", width=40, of="standing_in_words"),
)
_READINGS: Final = (
    Column("name", "Reading", width=52),
    Column("kind", "Kind", width=12),
    Column("unit", "Unit", width=8),
    Column("measured", "Measured", width=16, of=in_digits("measured", ".6g")),
    Column("reconciled", "Reconciled", width=16, of=in_digits("reconciled", ".6g")),
    Column("u_before", "u before", width=12, of=in_digits("u_before", ".2g")),
    Column("u_after", "u after", width=12, of=in_digits("u_after", ".2g")),
    Column("z", "Test value", width=12, of=in_digits("z", ".2f")),
    Column("flagged", "Does not fit", width=12, of=lambda each: "yes" if each.flagged else ""),
)
_DOUBTS: Final = (
    Column("rank", "Order", Kind.WHOLE, 8),
    Column("sentence", "What does not fit", width=80),
    Column("recorded", "Recorded", width=14, of=in_digits("recorded", "f")),
    Column("implied", "Implied", width=14, of=in_digits("implied", ".6g")),
    Column("bias", "Reads too high by", width=14, of=in_digits("bias", ".3g")),
    Column("u", "u", width=10, of=in_digits("u", ".2g")),
    Column("unit", "Unit", width=8),
    Column("z", "Test value", width=12, of=in_digits("z", ".1f")),
    Column(
        "explanation",
        "Perhaps",
        width=60,
        of=lambda each: "; ".join(why.detail for why in each.explanations),
    ),
    Column(
        "proposal",
        "Proposal; nothing is posted by itself",
        width=80,
        of=lambda each: _proposed(each.proposal),
    ),
    Column("rivals", "Would explain it as well", width=80, of=lambda each: "; ".join(each.rivals)),
)


def _whole(at: str) -> Callable[[MonthDifference], int]:
    return lambda month: round(getattr(month.whole, at))


_DIFFERENCES: Final = (
    Column("metal", "Metal", width=8),
    Column("area", "Area", width=20, of="area_name"),
    Column("month", "Month", width=10),
    Column(
        "counted",
        "Count",
        Kind.MASS,
        18,
        of=lambda each: each.counted_ug if each.is_counted else None,
    ),
    Column("process", "Processes", Kind.MASS, 18),
    Column("difference", "Inventory difference", Kind.MASS, 18, of=_whole("difference")),
    Column("u", "u", Kind.MASS, 16, of=_whole("u")),
    Column("limit_95", "Limit of error, 95 %", Kind.MASS, 18, of=_whole("limit_of_error_95")),
    Column("limit_99", "Limit of error, 99 %", Kind.MASS, 18, of=_whole("limit_of_error_99")),
    Column("verdict", "Verdict", width=28, of="whole.verdict.value"),
    Column("cumulative", "Cumulative", Kind.MASS, 18),
    Column("cumulative_u", "u of it", Kind.MASS, 16),
    Column("alarm", "Steady loss or gain", width=60),
)
_OF_A_MONTH: Final = tuple(
    each
    for each in _DIFFERENCES
    if each.name not in {"month", "cumulative", "cumulative_u", "alarm"}
)


def best_estimate_tables(
    estimate: BestEstimate, sequences: Sequence[DifferenceSequence] = ()
) -> list[Table]:
    """Holdings, doubts, differences, flows and readings, in the order in which they are read."""
    period = estimate.period
    notes = [*_notes(estimate), UNCERTAINTY_RULE, OUNCE_RULE]
    doubts = [
        {"rank": rank, **cells_of(_DOUBTS[1:], each)}
        for rank, each in enumerate(estimate.suspicions, start=1)
    ]
    tables = [
        Table("Best estimate", f"Best estimate {period}", _HOLDINGS, estimate.holdings, notes),
        Table("Doubts", f"Readings to look at {period}", _DOUBTS, doubts, notes[:2]),
    ]
    if sequences:
        tables.append(difference_table(sequences, str(period)))
    return [
        *tables,
        Table("Flows", f"Flows reconciled {period}", _FLOWS, estimate.streams, notes),
        Table("Readings", f"Readings reconciled {period}", _READINGS, estimate.readings),
    ]


def difference_table(sequences: Sequence[DifferenceSequence], title: str) -> Table:
    """Per metal and area, month by month, with what the sequential test says at the end."""
    return Table(
        "Differences",
        f"Inventory differences to {title}",
        _DIFFERENCES,
        [row for each in sequences for row in _months(each)],
        [SIGN_CONVENTION, UNCERTAINTY_RULE, OUNCE_RULE],
    )


def _notes(estimate: BestEstimate) -> list[str]:
    test = (
        f"All readings together: chi-square {estimate.statistic:.1f} with {estimate.dof} degrees "
        f"of freedom, p = {estimate.p_value:.3g}; with the doubted readings set aside "
        f"p = {estimate.p_left:.3g}. Overall level {estimate.alpha:g}."
    )
    if not estimate.converged:
        test += " The estimates did not settle; they are the best reached."
    return [NOTHING_CHANGED, test]


def _proposed(proposal: Proposal | None) -> str:
    if proposal is None:
        return ""
    return f"Reverse movement {', '.join(map(str, proposal.reverse))}. {proposal.post_instead}"


def _months(each: DifferenceSequence) -> Iterator[Row]:
    tested = [period for period in each.periods if period not in each.untested]
    for period, month in zip(each.periods, each.months, strict=True):
        sums: dict[str, int] = {}
        if period in tested and each.tested is not None:
            place = tested.index(period)
            sums = {
                "cumulative": round(each.tested.cumulative[place]),
                "cumulative_u": round(each.tested.cumulative_u[place]),
            }
        yield {
            **cells_of(_OF_A_MONTH, month),
            "month": str(period),
            **sums,
            "alarm": alarm_words(each) if period == each.periods[-1] else "",
        }


def alarm_words(each: DifferenceSequence) -> str:
    """What the sequential test says, in words; empty while it says nothing."""
    tested, since = each.tested, each.loss_since
    if tested is None or since is None:
        return ""
    what = "loss" if tested.rate > 0 else "gain"
    return (
        f"steady {what} of about {abs(tested.rate) / 1e6:.3g} g a month "
        f"(u {tested.rate_u / 1e6:.2g} g) since {since}"
    )
