"""How sure a month is: the measurement to doubt, differences with their limits, best estimates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.drawing.charts import Band, Chart, LineChart, Series
from lots.metals import Metal
from lots.people.access import staff_page
from lots.units import UG_PER_G
from reports.conventions import SIGN_CONVENTION
from reports.exports.best_estimate import NOTHING_CHANGED
from reports.pages.month import period_for, standing_of
from reports.queries.month.best_estimate import best_estimate
from reports.queries.month.difference_sequence import (
    ALL_AREAS,
    DifferenceSequence,
    MonthDifference,
    difference_sequences,
    month_books,
)
from reports.queries.month.figure_uncertainty import statement_uncertainty
from reports.statistics.inventory_difference import Verdict


@staff_page
def estimate_page(request: HttpRequest, month: str) -> HttpResponse:
    period = period_for(month)
    books = month_books(period)
    estimate = best_estimate(period, books=books)
    sequences = difference_sequences(period, books=books)
    return render(
        request,
        "reports/month_estimate.html",
        {
            "section": "months",
            "period": period,
            "estimate": estimate,
            "readings": sorted(
                (each for each in estimate.readings if each.z is not None),
                key=lambda each: -abs(each.z or 0.0),
            ),
            "unchecked": sum(not each.is_checked for each in estimate.readings),
            "differences": [_row(each.months[-1]) for each in sequences],
            "steady": [each for each in sequences if each.loss_since is not None],
            "charts": difference_charts(sequences),
            "lines": statement_uncertainty(period),
            "conventions": (SIGN_CONVENTION, NOTHING_CHANGED),
        },
    )


@staff_page
def verdict_page(request: HttpRequest, month: str) -> HttpResponse:
    """Whether the month is sound: a part of its page, and a page of its own.

    The limits of error follow from every entry, so the month's page asks for it once it stands.
    """
    period = period_for(month)
    books = month_books(period)
    wholes = [
        each.months[-1]
        for each in difference_sequences(period, books=books)
        if each.area == ALL_AREAS and each.months[-1].is_counted
    ]
    beyond = [each for each in wholes if each.whole.verdict is not Verdict.WITHIN]
    doubted = next(iter(best_estimate(period, books=books).suspicions), None)
    word, css, sentence = _judged(len(wholes), [Metal(each.metal).label for each in beyond])
    if doubted and not beyond:
        word, css, sentence = "look at it", "mind", "A measurement does not fit the others."
    template = "month_verdict.html" if request.htmx else "month_verdict_page.html"  # type: ignore[attr-defined]
    return render(
        request,
        f"reports/{template}",
        {
            "section": "months",
            "period": period,
            "word": word,
            "css": css,
            "sentence": sentence,
            "found": [_row(each) for each in wholes],
            **standing_of(period),
            "doubted": doubted,
        },
    )


def _judged(counted: int, beyond: Sequence[str]) -> tuple[str, str, str]:
    """The verdict in a word, how it is marked, and in a sentence."""
    if not counted:
        return "not known", "mind", "Nothing was counted, so the books stand alone."
    if beyond:
        named = " and ".join(beyond)
        many = (
            "differ by more than their limits" if beyond[1:] else "differs by more than its limit"
        )
        return "not sound", "bad", f"{named} {many} of error."
    return "sound", "good", "Book and count agree within their limits of error."


def _row(month: MonthDifference) -> dict[str, Any]:
    """A difference in whole micrograms, as the page's figures are written."""
    whole = month.whole
    return {
        "metal": month.metal,
        "area_name": month.area_name,
        "counted_ug": month.counted_ug if month.is_counted else None,
        "process_ug": month.process_ug,
        "together_ug": round(whole.difference),
        "limit_95_ug": round(whole.limit_of_error_95),
        "limit_99_ug": round(whole.limit_of_error_99),
        "verdict": whole.verdict.value,
        "is_beyond": whole.verdict is not Verdict.WITHIN,
    }


def difference_charts(sequences: Sequence[DifferenceSequence]) -> list[Chart]:
    """Each metal's difference of the whole works over the months, between its limits of error."""
    charts: list[Chart] = []
    for each in sequences:
        if each.area != ALL_AREAS or len(each.months) < 2:
            continue
        limits_g = [month.whole.limit_of_error_95 / UG_PER_G for month in each.months]
        differences_g = [month.whole.difference / UG_PER_G for month in each.months]
        charts.append(
            LineChart(
                title=f"{Metal(each.metal).label}: the months' differences to {each.periods[-1]}",
                x_label="month",
                y_label="grams",
                series=[Series("Book less physical", list(enumerate(differences_g)), each.metal)],
                bands=[
                    Band(
                        "Limit of error, 95 %",
                        [(place, -limit_g, limit_g) for place, limit_g in enumerate(limits_g)],
                    )
                ],
                decimals=3,
                x_names=[str(period) for period in each.periods],
            )
        )
    return charts
