"""The best estimate, the doubts and the inventory differences as sheets of the month's workbook."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from reports.conventions import OUNCE_RULE, SIGN_CONVENTION
from reports.exports.tables import Column, Kind, Row, Table
from reports.queries.month.best_estimate import BestEstimate
from reports.queries.month.difference_sequence import DifferenceSequence
from reports.queries.month.suspicions import Suspicion
from reports.statistics.inventory_difference import Difference

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
    Column("area", "Area", width=20),
    Column("book", "Book", Kind.MASS, 18),
    Column("book_u", "u of the book", Kind.MASS, 16),
    Column("best", "Best estimate", Kind.MASS, 18),
    Column("best_u", "u of the estimate", Kind.MASS, 16),
    Column("aside", "With the doubted readings set aside", Kind.MASS, 18),
    Column("aside_u", "u of that", Kind.MASS, 16),
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
    Column("standing", "Standing", width=40),
)
_READINGS: Final = (
    Column("name", "Reading", width=52),
    Column("kind", "Kind", width=12),
    Column("unit", "Unit", width=8),
    Column("measured", "Measured", width=16),
    Column("reconciled", "Reconciled", width=16),
    Column("u_before", "u before", width=12),
    Column("u_after", "u after", width=12),
    Column("z", "Test value", width=12),
    Column("flagged", "Does not fit", width=12),
)
_DOUBTS: Final = (
    Column("rank", "Order", Kind.WHOLE, 8),
    Column("sentence", "What does not fit", width=80),
    Column("recorded", "Recorded", width=14),
    Column("implied", "Implied", width=14),
    Column("bias", "Reads too high by", width=14),
    Column("u", "u", width=10),
    Column("unit", "Unit", width=8),
    Column("z", "Test value", width=12),
    Column("explanation", "Perhaps", width=60),
    Column("proposal", "Proposal; nothing is posted by itself", width=80),
    Column("rivals", "Would explain it as well", width=80),
)
_DIFFERENCES: Final = (
    Column("metal", "Metal", width=8),
    Column("area", "Area", width=20),
    Column("month", "Month", width=10),
    Column("counted", "Count", Kind.MASS, 18),
    Column("process", "Processes", Kind.MASS, 18),
    Column("difference", "Inventory difference", Kind.MASS, 18),
    Column("u", "u", Kind.MASS, 16),
    Column("limit_95", "Limit of error, 95 %", Kind.MASS, 18),
    Column("limit_99", "Limit of error, 99 %", Kind.MASS, 18),
    Column("verdict", "Verdict", width=28),
    Column("cumulative", "Cumulative", Kind.MASS, 18),
    Column("cumulative_u", "u of it", Kind.MASS, 16),
    Column("alarm", "Steady loss or gain", width=60),
)


def best_estimate_tables(
    estimate: BestEstimate, sequences: Sequence[DifferenceSequence] = ()
) -> list[Table]:
    """Holdings, doubts, differences, flows and readings, in the order in which they are read."""
    period = estimate.period
    notes = [*_notes(estimate), UNCERTAINTY_RULE, OUNCE_RULE]
    tables = [
        Table("Best estimate", f"Best estimate {period}", _HOLDINGS, _holdings(estimate), notes),
        Table("Doubts", f"Readings to look at {period}", _DOUBTS, _doubts(estimate), notes[:2]),
    ]
    if sequences:
        tables.append(difference_table(sequences, str(period)))
    return [
        *tables,
        Table("Flows", f"Flows reconciled {period}", _FLOWS, _flows(estimate), notes),
        Table("Readings", f"Readings reconciled {period}", _READINGS, _readings(estimate)),
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


def _holdings(estimate: BestEstimate) -> list[Row]:
    return [
        {
            "metal": each.metal,
            "area": each.area_name,
            "book": each.book_ug,
            "book_u": each.book_u_ug,
            "best": each.best_ug,
            "best_u": each.best_u_ug,
            "aside": each.set_aside_ug,
            "aside_u": each.set_aside_u_ug,
            "by_book": each.by_book_ug,
        }
        for each in estimate.holdings
    ]


def _flows(estimate: BestEstimate) -> list[Row]:
    return [
        {
            "movement": each.movement,
            "metal": each.metal,
            "giver": each.giver,
            "taker": each.taker,
            "measured": each.measured_ug,
            "u_before": each.u_before_ug,
            "reconciled": each.reconciled_ug,
            "u_after": each.u_after_ug,
            "adjustment": each.adjustment_ug,
            "standing": each.standing_in_words,
        }
        for each in estimate.streams
    ]


def _readings(estimate: BestEstimate) -> list[Row]:
    return [
        {
            "name": each.name,
            "kind": each.kind,
            "unit": each.unit,
            "measured": f"{each.measured:.6g}",
            "reconciled": f"{each.reconciled:.6g}",
            "u_before": f"{each.u_before:.2g}",
            "u_after": f"{each.u_after:.2g}",
            "z": None if each.z is None else f"{each.z:.2f}",
            "flagged": "yes" if each.flagged else "",
        }
        for each in estimate.readings
    ]


def _doubts(estimate: BestEstimate) -> list[Row]:
    return [_doubt(rank, each) for rank, each in enumerate(estimate.suspicions, start=1)]


def _doubt(rank: int, each: Suspicion) -> Row:
    proposal = each.proposal
    reverse = "" if proposal is None else ", ".join(map(str, proposal.reverse))
    return {
        "rank": rank,
        "sentence": each.sentence,
        "recorded": f"{each.recorded:f}",
        "implied": f"{each.implied:.6g}",
        "bias": f"{each.bias:.3g}",
        "u": f"{each.u:.2g}",
        "unit": each.unit,
        "z": f"{each.z:.1f}",
        "explanation": "; ".join(why.detail for why in each.explanations),
        "proposal": ""
        if proposal is None
        else f"Reverse movement {reverse}. {proposal.post_instead}",
        "rivals": "; ".join(each.rivals),
    }


def _months(each: DifferenceSequence) -> list[Row]:
    tested = [period for period in each.periods if period not in each.untested]
    rows: list[Row] = []
    for period, month in zip(each.periods, each.months, strict=True):
        place = tested.index(period) if period in tested else None
        of_sequence = None if place is None else each.tested
        rows.append(
            {
                "metal": each.metal,
                "area": month.area_name,
                "month": str(period),
                "counted": month.counted_ug if month.is_counted else None,
                "process": month.process_ug,
                **_limits(month.whole),
                "cumulative": None
                if of_sequence is None or place is None
                else round(of_sequence.cumulative[place]),
                "cumulative_u": None
                if of_sequence is None or place is None
                else round(of_sequence.cumulative_u[place]),
                "alarm": alarm_words(each) if period == each.periods[-1] else "",
            }
        )
    return rows


def _limits(whole: Difference) -> Row:
    return {
        "difference": round(whole.difference),
        "u": round(whole.u),
        "limit_95": round(whole.limit_of_error_95),
        "limit_99": round(whole.limit_of_error_99),
        "verdict": whole.verdict.value,
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
