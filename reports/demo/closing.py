"""Month-end at the demo works: every place is counted blind, then two people close the month."""

from __future__ import annotations

import datetime as dt

from lots.models import Lot
from reports.demo.bench import Bench
from reports.models import CountSheet
from reports.services.approvals import approve_month
from reports.services.counts import Found, enter_count, open_count_sheet
from reports.services.month_end import begin_month_end, close_month, prepare_month

COUNTED = (
    "feed-shelf",
    "fine-safe",
    "slimes-cabinet",
    "north-cell",
    "south-cell",
    "wet-bench",
    "quarantine",
)


def close_the_month(bench: Bench, first_day: dt.date, counted_at: dt.datetime) -> None:
    """Counts at `counted_at`, the evening before the month ends, and closes two days later."""
    bench.tell(f"closing {first_day:%Y-%m}: blind counts, a second person's approval, the lock")
    with bench.at(counted_at, "odell") as act:
        month_end = begin_month_end(first_day=first_day, act=act)
    for index, place in enumerate(COUNTED):
        moment = counted_at + dt.timedelta(minutes=10 + 10 * index)
        with bench.at(moment, "odell") as act:
            sheet = open_count_sheet(
                month_end=month_end, place=bench.place(place), as_of=counted_at, act=act
            )
        count(bench, sheet, moment)
    later = counted_at + dt.timedelta(days=2)
    with bench.at(later, "odell") as act:
        prepare_month(month_end=month_end, act=act)
    with bench.at(later + dt.timedelta(hours=1), "marit") as act:
        approve_month(month_end=month_end, act=act)
    with bench.at(later + dt.timedelta(hours=2), "marit") as act:
        close_month(month_end=month_end, act=act)


def count(bench: Bench, sheet: CountSheet, moment: dt.datetime) -> None:
    """Everything on a sheet is weighed, its volume read, or its seal looked at."""
    for line in sheet.lines.select_related("lot"):
        with bench.at(moment, "joss") as act:
            enter_count(sheet=sheet, lot=line.lot, found=found(bench, line.lot), act=act)


def found(bench: Bench, lot: Lot) -> Found:
    """What a count of this lot finds, as it truly is."""
    true = bench.cast.true[lot.code]
    if lot.is_liquid:
        return Found(volume=bench.volume(true.volume_l))
    if lot.form == Lot.Form.SLIMES_BAG:
        return Found(sighted=True)
    return Found(weight=bench.weight(true.mass_g))
