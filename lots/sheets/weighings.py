"""Imports weighings: facts of lots that are there; nothing changes on the books by them."""

from __future__ import annotations

from typing import Final

from lots.declaration.as_sheet import column
from lots.ledger.recording import Act
from lots.measurements.weighings import WEIGH, record_weighing
from lots.models import Weighing
from lots.sheets.columns import Column, Kind
from lots.sheets.parts import NOTE, WEIGHT, WHEN, weight_of
from lots.sheets.subjects import OFFICE_AND_BENCH, Row, Subject, register


def _record(row: Row, act: Act) -> Weighing:
    return record_weighing(
        lot=row.get("lot"),
        weight=weight_of(row),
        purpose=row.get("purpose", Weighing.Purpose.CHECK),
        act=row.act(act),
    )


WEIGHINGS: Final = register(
    Subject(
        name="weighings",
        title="Weighings",
        about="Weighings of lots that are on the books. They change nothing by themselves; posting "
        "a difference is a step of its own.",
        columns=(
            Column(
                "lot",
                "Lot",
                Kind.NAME,
                "The code on the lot's label.",
                "FD26-0001-2",
                required=True,
                names="lot",
                also_called=("lot code", "code", "label"),
            ),
            WHEN,
            *WEIGHT,
            column(
                WEIGH,
                "purpose",
                "Why it was weighed; a check weighing when left empty.",
                "why",
                header="Purpose",
                example="Check weighing",
            ),
            NOTE,
        ),
        record=_record,
        roles=OFFICE_AND_BENCH,
        once=("lot", "when", "gross"),
    )
)
