"""The best estimate of everything in a month, and which measurement to doubt.

All readings of the month are reconciled at once with the conservation of each metal and with each
run's balance of charge. Nothing on the books changes by it.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot
from typing import Final

from lots.ledger.snapshot import unmoving
from lots.ledger.standings import standings_of
from lots.metals import Metal
from lots.models import Place
from lots.units import UG_PER_G
from reports.queries.month.entry_uncertainty import Books
from reports.queries.month.month_network import LedgerNetwork, month_network
from reports.queries.month.periods import Period
from reports.queries.month.suspicions import Suspicion, suspicions
from reports.statistics.equations import Equations, Solution, solve
from reports.statistics.network_nodes import Stream
from reports.statistics.observability import Standing
from reports.statistics.suspects import ALPHA, Doubt, find_suspects

STANDINGS: Final = {
    "checked": "measured, checked by other figures",
    "unchecked": "measured, checked by nothing",
    "follows": "not measured, follows from other figures",
    "unknown": "not measured, cannot be known",
}


@dataclass(frozen=True)
class StreamEstimate:
    """One metal's flow, micrograms. `adjustment_ug` is reconciled less measured.

    `movement` is a movement's sequence; `standing` is a key of `STANDINGS`.
    """

    movement: int
    metal: str
    giver: str
    taker: str
    measured_ug: int | None
    reconciled_ug: int | None
    adjustment_ug: int | None
    u_before_ug: int | None
    u_after_ug: int | None
    standing: str

    @property
    def standing_in_words(self) -> str:
        return STANDINGS[self.standing]


@dataclass(frozen=True)
class ReadingEstimate:
    """One reading in its own unit (g, L, ppt, g/L; none for an efficiency).

    `z` is the measurement test, positive when it reads high; `flagged` allows for how many
    readings are tested together.
    """

    name: str
    kind: str
    lot: str
    unit: str
    measured: float
    reconciled: float
    u_before: float
    u_after: float
    is_checked: bool
    z: float | None
    p_sidak: float | None
    flagged: bool


@dataclass(frozen=True)
class HoldingEstimate:
    """What an area (or all, `area` empty) holds of a metal at the month's end, micrograms.

    `set_aside_ug` is the best estimate without the readings that are in doubt, the same as
    `best_ug` when none is. `by_book_ug` is the part that only the book speaks of.
    """

    metal: str
    area: str
    book_ug: int
    book_u_ug: int
    best_ug: int
    best_u_ug: int
    set_aside_ug: int
    set_aside_u_ug: int
    by_book_ug: int

    @property
    def area_name(self) -> str:
        return str(Place.Area(self.area).label) if self.area else "All areas"


@dataclass(frozen=True)
class BestEstimate:
    """The month reconciled. The global test is of all readings together, chi-square with `dof`.

    `z_limit` is the test value above which a reading does not fit, None when none is checked.
    `p_left` is its p-value once the readings in doubt are set aside; `converged` is False when the
    products of masses and grades did not settle, and the figures are then the best reached.
    """

    period: Period
    streams: tuple[StreamEstimate, ...]
    readings: tuple[ReadingEstimate, ...]
    holdings: tuple[HoldingEstimate, ...]
    suspicions: tuple[Suspicion, ...]
    statistic: float
    dof: int
    p_value: float
    p_left: float
    alpha: float
    z_limit: float | None
    converged: bool

    @property
    def is_in_doubt(self) -> bool:
        return bool(self.suspicions)


@unmoving
def best_estimate(
    period: Period,
    recorded: dt.datetime | None = None,
    *,
    alpha: float = ALPHA,
    books: Books | None = None,
) -> BestEstimate:
    """Reconciles a month at overall level `alpha`, by the books as recorded by `recorded`.

    `books` are those of `month_books`, when they are at hand. Raises InvalidError `contradiction`
    when figures that are held to be exact break a balance.
    """
    ledger = month_network(period, recorded, books=books)
    equations = ledger.network.equations
    if not equations.names:
        return _of_nothing(period, alpha)
    first = solve(equations)
    doubted, found = suspicions(ledger, first, alpha=alpha)
    totals = _add_totals(ledger, first)
    whole = solve(equations)
    left = solve(equations, doubted) if doubted else whole
    doubt = find_suspects(whole.linear, alpha=alpha)
    return BestEstimate(
        period=period,
        streams=tuple(_stream(equations, whole, each) for each in ledger.network.streams),
        readings=_readings(ledger, whole, doubt),
        holdings=tuple(_holding(each, whole, left) for each in totals),
        suspicions=found,
        statistic=whole.linear.statistic,
        dof=whole.linear.dof,
        p_value=whole.linear.p_value,
        p_left=left.linear.p_value,
        alpha=alpha,
        z_limit=doubt.limit if doubt.measurement_tests else None,
        converged=whole.converged and left.converged,
    )


def _of_nothing(period: Period, alpha: float) -> BestEstimate:
    """A month in which there was nothing: nothing to reconcile, and nothing to doubt."""
    return BestEstimate(
        period, (), (), (), (), statistic=0.0, dof=0, p_value=1.0, p_left=1.0, alpha=alpha,
        z_limit=None, converged=True,
    )  # fmt: skip


def _stream(equations: Equations, solution: Solution, stream: Stream) -> StreamEstimate:
    number = stream.figure
    measured = equations.measured(number)
    known = solution.is_known(number)
    estimate = float(solution.estimates[number]) if known else None
    standings = solution.linear.observability.standing
    checked = any(standings[each] is Standing.REDUNDANT for each in equations.behind(number))
    standing = "follows" if known else "unknown"
    if measured is not None:
        standing = "checked" if checked else "unchecked"
    return StreamEstimate(
        movement=stream.movement,
        metal=stream.metal,
        giver=stream.giver,
        taker=stream.taker,
        measured_ug=None if measured is None else _ug(measured.value),
        reconciled_ug=None if estimate is None else _ug(estimate),
        adjustment_ug=None
        if measured is None or estimate is None
        else _ug(estimate) - _ug(measured.value),
        u_before_ug=None if measured is None else _ug(measured.u),
        u_after_ug=_ug(float(solution.sd[number])) if known else None,
        standing=standing,
    )


def _readings(
    ledger: LedgerNetwork, solution: Solution, doubt: Doubt
) -> tuple[ReadingEstimate, ...]:
    equations = ledger.network.equations
    tests = {test.index: test for test in doubt.measurement_tests}
    estimates = []
    for number, figure in equations.readings.items():
        source = ledger.source(equations.names[number])
        scale = source.scale
        test = tests.get(number)
        estimates.append(
            ReadingEstimate(
                name=source.label,
                kind=source.kind,
                lot=source.lot,
                unit=source.unit,
                measured=scale * figure.value,
                reconciled=scale * float(solution.estimates[number]),
                u_before=scale * figure.u,
                u_after=scale * float(solution.sd[number]),
                is_checked=test is not None,
                z=None if test is None else test.z,
                p_sidak=None if test is None else test.p_sidak,
                flagged=test is not None and test.flagged,
            )
        )
    return tuple(estimates)


@dataclass(frozen=True)
class _Total:
    """One total: its book, its number among the equations, and what only the book speaks of."""

    metal: str
    area: str
    book_ug: int
    book_u_ug: float
    number: int | None
    by_book_ug: int
    by_book_u_ug: float


def _add_totals(ledger: LedgerNetwork, solution: Solution) -> list[_Total]:
    """Adds a sum per metal and area, so that its uncertainty comes with all covariances."""
    book = ledger.closing
    lots = {pk for pk, _ in book.held}
    stood = standings_of(lots, book.as_of)
    areas = {
        place.pk: place.area
        for place in Place.objects.filter(pk__in={each.place_id for each in stood.values()})
    }
    codes = {lot.pk: lot.code for lot in ledger.lots.values()}
    grouped: dict[tuple[str, str], list[int]] = defaultdict(list)
    for pk, metal in book.held:
        grouped[metal, areas[stood[pk].place_id]].append(pk)
        grouped[metal, ""].append(pk)
    holdings = ledger.network.holdings
    order = [*Place.Area.values, ""]
    totals = []
    for metal, area in sorted(
        grouped, key=lambda key: (Metal.values.index(key[0]), order.index(key[1]))
    ):
        pks = grouped[metal, area]
        terms: dict[int, float] = {}
        rest = []
        for pk in pks:
            number = holdings.get(codes.get(pk, ""), {}).get(metal)
            if number is not None and solution.is_known(number):
                terms[number] = 1.0
            else:
                rest.append(pk)
        whole, only = book.of_lots(metal, pks), book.of_lots(metal, rest)
        name = f"{metal} in all of {area or 'the works'}"
        totals.append(
            _Total(
                metal,
                area,
                _whole(whole.value),
                whole.u,
                ledger.network.equations.sum_of(name, terms) if terms else None,
                _whole(only.value),
                only.u,
            )
        )
    return totals


def _holding(total: _Total, whole: Solution, left: Solution) -> HoldingEstimate:
    best, best_u = _of_total(total, whole)
    aside, aside_u = _of_total(total, left)
    return HoldingEstimate(
        metal=total.metal,
        area=total.area,
        book_ug=total.book_ug,
        book_u_ug=_whole(total.book_u_ug),
        best_ug=best,
        best_u_ug=best_u,
        set_aside_ug=aside,
        set_aside_u_ug=aside_u,
        by_book_ug=total.by_book_ug,
    )


def _of_total(total: _Total, solution: Solution) -> tuple[int, int]:
    if total.number is None or not solution.is_known(total.number):
        return total.book_ug, _whole(total.book_u_ug)
    estimate = _ug(float(solution.estimates[total.number])) + total.by_book_ug
    spread = hypot(UG_PER_G * float(solution.sd[total.number]), total.by_book_u_ug)
    return estimate, _whole(spread)


def _ug(grams: float) -> int:
    return round(grams * UG_PER_G)


def _whole(micrograms: float) -> int:
    return round(micrograms)


def holdings_by(estimate: BestEstimate) -> Mapping[tuple[str, str], HoldingEstimate]:
    """The estimates by metal and area (empty for all areas)."""
    return {(each.metal, each.area): each for each in estimate.holdings}
