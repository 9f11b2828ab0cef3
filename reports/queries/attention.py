"""What needs a person now, most urgent first, in a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from math import hypot
from typing import Final

from django.utils import timezone

from cells.models import UNFINISHED, CellRun, CellWarning, SlimesBag
from cells.queries.slimes_queue import slimes_queue
from lots.display import grams
from lots.models import Balance, ConfirmedFigure, Excess, Lot, ProcessBatch
from lots.queries.works_zone import next_month
from reports.queries.month.months_on_books import months_on_books
from reports.queries.month.periods import local_day
from reports.queries.office_attention import office_matters
from reports.queries.to_do import LISTED_MAX, Attention, Urgency

CALIBRATION_NOTICE_D: Final = 14
_WAITING_CONTENT: Final = (Lot.State.AVAILABLE, Lot.State.IN_PROCESS, Lot.State.QUARANTINED)


def attention(now: dt.datetime) -> list[Attention]:
    """Every open matter; of each kind at most `LISTED_MAX`, the oldest first."""
    found = [
        *_runs(),
        *_warnings(),
        *_quarantined(),
        *_excesses(),
        *_unlikely(),
        *_batches(),
        *_bags(now),
        *_awaiting_assay(),
        *_balances(local_day(now)),
        *_months(now),
        *office_matters(now),
    ]
    return sorted(found, key=lambda each: each.urgency)


_RUN_NEEDS: Final[dict[str, tuple[Urgency, str]]] = {
    CellRun.State.CHARGED: (Urgency.TODAY, "charged, current not switched on"),
    CellRun.State.RUNNING: (Urgency.SOON, "running"),
    CellRun.State.STOPPED: (Urgency.NOW, "stopped: crystal to harvest"),
    CellRun.State.HARVESTED: (Urgency.NOW, "harvested: remnant, slimes and electrolyte to close"),
}


def _runs() -> Iterator[Attention]:
    runs = CellRun.objects.filter(state__in=UNFINISHED).select_related("cell")
    for run in runs.order_by("charged_at")[:LISTED_MAX]:
        urgency, needs = _RUN_NEEDS[run.state]
        since = run.harvested_at or run.stopped_at or run.started_at or run.charged_at
        yield Attention(urgency, "run", run.code, f"{run.cell}: {needs}{_end_of(run)}", since)


def _end_of(run: CellRun) -> str:
    """When the anode of a running cell will be exhausted, as last foretold."""
    if run.exhausted_at is None:
        return ""
    text = f", anode exhausted about {_moment(run.exhausted_at)}"
    if run.exhausted_low_at is None or run.exhausted_high_at is None:
        return text
    return f"{text} (95 %: {_moment(run.exhausted_low_at)} to {_moment(run.exhausted_high_at)})"


def _moment(value: dt.datetime) -> str:
    local = timezone.localtime(value)
    return f"{local.day} {local:%b, %H:%M}"


def _warnings() -> Iterator[Attention]:
    warnings = CellWarning.objects.filter(state=CellWarning.State.OPEN).select_related("run")
    by_run: dict[str, list[CellWarning]] = {}
    for each in warnings.order_by("raised_at"):
        by_run.setdefault(each.run.code, []).append(each)
    for run, raised in [*by_run.items()][:LISTED_MAX]:
        more = f" (and {len(raised) - 1} more)" if raised[1:] else ""
        text = f"{raised[0].message}{more}"
        yield Attention(Urgency.NOW, "warning", run, text, raised[0].raised_at)


def _quarantined() -> Iterator[Attention]:
    lots = Lot.objects.filter(state=Lot.State.QUARANTINED)
    for lot in lots.order_by("registered_at")[:LISTED_MAX]:
        reason = lot.state_reason or "waits to be released"
        text = f"{lot.get_form_display()} in quarantine: {reason}"
        yield Attention(Urgency.TODAY, "quarantine", lot.code, text, lot.registered_at)


def _excesses() -> Iterator[Attention]:
    rows = Excess.objects.filter(state=Excess.State.OPEN).select_related("movement", "lot")
    for each in rows.order_by("id")[:LISTED_MAX]:
        limit = each.limit_of_error_ug
        beside = "" if limit is None else f", limit of error {grams(limit)}"
        is_beyond = limit is None or each.excess_ug > limit
        yield Attention(
            Urgency.TODAY if is_beyond else Urgency.SOON,
            "excess",
            str(each.movement.sequence),
            f"{each.lot.code} measured {grams(each.excess_ug)} {each.metal} above the book{beside}",
            each.movement.occurred_at,
            {each.metal: each.excess_ug},
            is_beyond=limit is not None and is_beyond,
        )


def _unlikely() -> Iterator[Attention]:
    """Unlikely figures that were confirmed, until somebody explains them."""
    rows = ConfirmedFigure.objects.filter(explanation__isnull=True).order_by("id")
    for each in rows[:LISTED_MAX]:
        likely = " to ".join(filter(None, (each.low, each.high)))
        text = f"{each.figure} is recorded of {each.about}, where {likely} is likely: explain it"
        yield Attention(Urgency.TODAY, "figure", str(each.pk), text, each.confirmed_at)


def _batches() -> Iterator[Attention]:
    batches = ProcessBatch.objects.filter(state=ProcessBatch.State.OPEN)
    for batch in batches.order_by("started_at")[:LISTED_MAX]:
        text = f"{batch.get_kind_display()} is open"
        yield Attention(Urgency.SOON, "batch", batch.code, text, batch.started_at)


def _bags(now: dt.datetime) -> Iterator[Attention]:
    """One matter for all that wait; the queue's own page has them one by one."""
    bags = [each for each in slimes_queue(now) if each.bag.state == SlimesBag.State.WAITING]
    if not bags:
        return
    stake, u = sum(each.stake for each in bags), hypot(*(each.u_stake for each in bags))
    text = (
        f"{len(bags)} slimes bag{'s' if len(bags) > 1 else ''} waiting for recovery, "
        f"with {stake:.1f} ± {u:.1f} g of precious metal at stake"
    )
    oldest = min(bags, key=lambda each: each.bag.bagged_at)
    yield Attention(Urgency.SOON, "bags", "", text, oldest.bag.bagged_at)


def _awaiting_assay() -> Iterator[Attention]:
    lots = Lot.objects.filter(content=Lot.Content.DECLARED, state__in=_WAITING_CONTENT)
    for lot in lots.order_by("registered_at")[:LISTED_MAX]:
        about = f", {lot.description}" if lot.description else ""
        text = f"{lot.get_form_display()}{about}: on declared content, no assay rules yet"
        yield Attention(Urgency.SOON, "assay", lot.code, text, lot.registered_at)


def _balances(today: dt.date) -> Iterator[Attention]:
    due = today + dt.timedelta(days=CALIBRATION_NOTICE_D)
    for balance in Balance.objects.filter(is_active=True, calibration_due__lte=due):
        overdue, day = balance.is_overdue(today), balance.calibration_due
        assert day is not None, "what is not known falls due on no day"
        text = f"{balance}: calibration {'was' if overdue else 'is'} due {day.day} {day:%b %Y}"
        yield Attention(Urgency.TODAY if overdue else Urgency.SOON, "balance", balance.code, text)


def _months(now: dt.datetime) -> Iterator[Attention]:
    """Months that are over and not closed, the oldest first."""
    waiting = [each for each in months_on_books(now) if each.is_over and not each.is_closed]
    for each in waiting[:LISTED_MAX]:
        first_day = each.period.first_day
        late = local_day(now) >= next_month(next_month(first_day))
        yield Attention(
            Urgency.NOW if late else Urgency.TODAY,
            "month",
            str(each.period),
            f"{first_day:%B %Y} is over: count and close it ({each.close_name.lower()})",
            each.period.ends_at,
        )
