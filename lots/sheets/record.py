"""Records a whole sheet: every row by its own service in one transaction, or none of them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any, Final

from django.db.models import Model

from config.refusals import RefusalError, RowsRefusedError, refuse
from lots import clock
from lots.ledger.recording import Act, recorded_once
from lots.models import ImportedRow, Lot, LotStanding, Movement, SheetImport
from lots.services.lot_register import next_code
from lots.sheets.cells import from_json
from lots.sheets.columns import Layout, check_layout
from lots.sheets.rows import Outcome, Sifter, sheet_order
from lots.sheets.subjects import subject_named
from lots.sheets.trial import on_trial

PREFIX: Final = "SH"
NAME_LENGTH_MAX: Final = 120
_ROWS_A_STATEMENT: Final = 500
_told: ContextVar[Callable[[int], None] | None] = ContextVar("import_told", default=None)


@dataclass(frozen=True)
class Upload:
    """A sheet to be recorded. `cells` is the sheet as `to_json` writes it, `sha256` of what was
    sent. `again` says that the same was recorded before and is meant once more.
    """

    subject: str
    cells: bytes
    layout: Layout
    sha256: str
    origin: str = SheetImport.Origin.FILE
    file_name: str = ""
    again: bool = False


@contextmanager
def telling(told: Callable[[int], None]) -> Iterator[None]:
    """Within the block, `told` hears of every row recorded how many are done."""
    token = _told.set(told)
    try:
        yield
    finally:
        _told.reset(token)


def base_name(name: str) -> str:
    """The last part of a file's name, without what can't be kept."""
    last = PureWindowsPath(PurePosixPath(name).name).name
    return "".join(each for each in last if each.isprintable())[:NAME_LENGTH_MAX]


def digest_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@recorded_once
def record_import(*, upload: Upload, act: Act) -> SheetImport:
    """Records every row of a sheet, or none.

    Raises RowsRefusedError with every row's problem, its field `rows.<number>.<column>`;
    ConflictError `already_imported`; InvalidError `empty` and what `check_layout` refuses.
    """
    if not upload.again:
        refuse_if_imported(upload.subject, upload.sha256)
    sifter = sifter_of(upload)
    outcome = sifter.record(act, told=_told.get() or (lambda done: None))
    refuse_problems(sifter, outcome)
    if not outcome.recorded:
        raise nothing_to_record()
    made = SheetImport.objects.create(
        code=next_code(PREFIX, act.moment.year),
        subject=upload.subject,
        origin=upload.origin,
        file_name=base_name(upload.file_name),
        sha256=upload.sha256,
        layout=upload.layout.as_json(),
        row_count=len(outcome.recorded),
        recorded_at=clock.now(),
        recorded_by_id=act.who.pk,
        note=act.note,
    )
    _keep_rows(made, outcome)
    return made


@dataclass(frozen=True)
class Trial:
    """What recording a sheet would come to."""

    rows: int
    problems: list[dict[str, Any]]
    metals: dict[str, int]


def try_import(*, upload: Upload, act: Act) -> Trial:
    """Says what recording the sheet would come to; see `on_trial`."""
    moment = act.occurred_at or clock.now()
    with on_trial():
        sifter = sifter_of(upload)
        outcome = sifter.record(replace(act, occurred_at=moment, key=""))
    problems = sheet_order([*outcome.problems, *sifter.repeated()])
    return Trial(
        rows=len(sifter.rows),
        problems=[problem.as_refusal().as_problem() for problem in problems],
        metals=outcome.metals,
    )


def sifter_of(upload: Upload, commas_seen: bool | None = None) -> Sifter:
    subject = subject_named(upload.subject)
    sheet = from_json(upload.cells.decode())
    check_layout(upload.layout, subject.columns, sheet.width)
    return Sifter(subject, sheet, upload.layout, commas_seen)


def refuse_problems(sifter: Sifter, outcome: Outcome) -> None:
    problems = sheet_order([*outcome.problems, *sifter.repeated()])
    if problems:
        refused = [problem.as_refusal() for problem in problems]
        raise RowsRefusedError(refused, len(sifter.rows))


def earlier_import(subject: str, sha256: str) -> SheetImport | None:
    """The import that recorded the very same sheet before, if there is one."""
    return SheetImport.objects.filter(subject=subject, sha256=sha256).order_by("id").last()


def refuse_if_imported(subject: str, sha256: str) -> None:
    earlier = earlier_import(subject, sha256)
    if earlier is not None:
        raise refuse("already_imported", field="file", value=earlier.code)


def nothing_to_record() -> RefusalError:
    return refuse("empty:record", field="file")


def _keep_rows(made: SheetImport, outcome: Outcome) -> None:
    """What was recorded of each row, with its movement and its lot."""
    movements = _movements([thing for _, thing in outcome.recorded if isinstance(thing, Lot)])
    ImportedRow.objects.bulk_create(
        [
            ImportedRow(
                sheet_import=made,
                number=number,
                movement_id=thing.pk
                if isinstance(thing, Movement)
                else movements.get(thing.pk)
                if isinstance(thing, Lot)
                else None,
                lot=_lot_of(thing),
                recorded_model=thing._meta.label,
                recorded_pk=thing.pk,
                shown_as=str(thing)[:120],
            )
            for number, thing in outcome.recorded
        ],
        batch_size=_ROWS_A_STATEMENT,
    )


def _lot_of(thing: Model) -> Lot | None:
    lot = thing if isinstance(thing, Lot) else getattr(thing, "lot", None)
    return lot if isinstance(lot, Lot) else None


def _movements(lots: Sequence[Lot]) -> dict[int, int]:
    """By lot, the movement that it began with."""
    found: dict[int, int] = {}
    for start in range(0, len(lots), _ROWS_A_STATEMENT):
        part = [lot.pk for lot in lots[start : start + _ROWS_A_STATEMENT]]
        standings = LotStanding.objects.filter(lot__in=part).order_by("-id")
        found.update(standings.values_list("lot_id", "movement_id"))
    return found
