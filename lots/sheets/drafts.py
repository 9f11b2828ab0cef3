"""A sheet on its way in: kept, laid out, checked a slice at a time, recorded or thrown away."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from django.db import transaction
from django.db.models import F

from config.refusals import RefusalError, RowsRefusedError, refuse
from lots import clock
from lots.ledger.recording import Act
from lots.measurements.unlikely import Asking
from lots.models import ImportDraft, SheetImport
from lots.sheets.cells import Sheet, from_json, to_json
from lots.sheets.columns import Layout, check_layout, rows_below, shows_commas
from lots.sheets.files import ROWS_MAX, read_sheet
from lots.sheets.headings import guess_layout
from lots.sheets.preview import shown_row
from lots.sheets.record import (
    Upload,
    base_name,
    digest_of,
    nothing_to_record,
    record_import,
    sifter_of,
)
from lots.sheets.rows import PROBLEMS_MAX, Problem, sheet_order
from lots.sheets.subjects import subject_named
from lots.sheets.trial import on_trial

KEPT_FOR: Final = dt.timedelta(days=7)
DRAFTS_MAX: Final = 20
# What is checked by one request, so that the page can say how far it is.
SLICE_ROWS: Final = 400
PREVIEW_ROWS: Final = 20
_State = ImportDraft.State


@dataclass(frozen=True)
class Sent:
    """What a person sent: the bytes of a file, or of pasted cells."""

    content: bytes
    origin: str
    file_name: str = ""


def begin_import(*, subject: str, sent: Sent, act: Act) -> ImportDraft:
    """Keeps a sheet for its sender, its columns guessed; drafts that have expired go.

    Raises ConflictError `too_many_drafts` and what `read_sheet` and `subject_named` refuse.
    """
    sheet = read_sheet(sent.content)
    layout = guess_layout(sheet, subject_named(subject).columns)
    now = clock.now()
    with transaction.atomic():
        ImportDraft.objects.filter(expires_at__lt=now).delete()
        _check_not_too_many(act)
        return ImportDraft.objects.create(
            owner_id=act.who.pk,
            subject=subject,
            origin=sent.origin,
            file_name=base_name(sent.file_name),
            sha256=digest_of(sent.content),
            cells=to_json(sheet),
            layout=layout.as_json(),
            created_at=now,
            expires_at=now + KEPT_FOR,
        )


def _check_not_too_many(act: Act) -> None:
    under_way = ImportDraft.objects.filter(owner_id=act.who.pk).exclude(state=_State.RECORDED)
    if under_way.count() >= DRAFTS_MAX:
        raise refuse("too_many_drafts", field="file", drafts_max=DRAFTS_MAX)


def sheet_of(draft: ImportDraft) -> Sheet:
    return from_json(draft.cells)


def layout_of(draft: ImportDraft) -> Layout:
    return Layout.of_json(draft.layout)


def lay_out(*, draft: ImportDraft, layout: Layout) -> ImportDraft:
    """Says which column is which; what was checked by another layout is forgotten.

    Raises InvalidError as `check_layout`, `empty`; ConflictError `import_under_way`.
    """
    subject = subject_named(draft.subject)
    sheet = sheet_of(draft)
    check_layout(layout, subject.columns, sheet.width)
    rows = rows_below(sheet, layout)
    if not rows:
        raise nothing_to_record()
    if len(rows) > ROWS_MAX:
        raise refuse("too_many_rows", field="file", value=len(rows), rows_max=ROWS_MAX)
    return _change(
        draft,
        (_State.LAYOUT, _State.CHECKING, _State.CHECKED),
        layout=layout.as_json(),
        state=_State.CHECKING,
        row_count=len(rows),
        rows_checked=0,
        findings={
            "problems": [],
            "metals": {},
            "preview": [],
            "commas": shows_commas(layout, subject.columns, rows),
        },
        failure=None,
    )


def check_slice(*, draft: ImportDraft, act: Act, rows: int = SLICE_ROWS) -> ImportDraft:
    """Tries the next rows by their own services, each on the books as they stand (`on_trial`).

    A row doesn't see what other rows would record; that is tried when the whole is recorded. Called
    again after a lost answer it goes on from where it stood.
    """
    if draft.state != _State.CHECKING:
        return draft
    first = draft.rows_checked
    last = min(first + rows, draft.row_count)
    with on_trial():
        sifter = sifter_of(upload_of(draft), draft.findings["commas"])
        outcome = sifter.record(_at_one_moment(_asking(draft, act)), first=first, last=last)
        room = max(0, PREVIEW_ROWS - len(draft.findings["preview"]))
        shown = [shown_row(sifter.subject, row) for row in outcome.rows[:room]]
    problems = outcome.problems
    if last >= draft.row_count:
        problems = [*problems, *sifter.repeated()]
    findings = _more(draft.findings, problems)
    for metal, mass_ug in outcome.metals.items():
        findings["metals"][metal] = findings["metals"].get(metal, 0) + mass_ug
    findings["preview"] = [*findings["preview"], *shown]
    full = len(findings["problems"]) >= PROBLEMS_MAX
    return _change(
        draft,
        (_State.CHECKING,),
        rows_checked=last,
        findings=findings,
        state=_State.CHECKED if last >= draft.row_count or full else _State.CHECKING,
    )


def confirm_figure(*, draft: ImportDraft, row: int, column: str) -> ImportDraft:
    """Says of an unlikely figure that it is right as written; a fault of another kind stays."""
    field = f"rows.{row}.{column}" if column else f"rows.{row}"
    problems = draft.findings.get("problems", [])
    rest = [each for each in problems if each["field"] != field or each["code"] != "unlikely"]
    confirmed = sorted({*draft.findings.get("confirmed", []), field})
    findings = {**draft.findings, "problems": rest, "confirmed": confirmed}
    return _change(draft, (_State.CHECKED,), findings=findings)


def _asking(draft: ImportDraft, act: Act) -> Act:
    """The act asks about unlikely figures, but for those said to be right as written."""
    confirmed = frozenset(draft.findings.get("confirmed", []))
    return replace(act, doubter=Asking(lambda path: path in confirmed))


def record_draft(*, draft: ImportDraft, act: Act, again: bool = False) -> SheetImport:
    """Records the draft's sheet, once however often it is asked for.

    Raises as `record_import`, keeping the problems of rows with the draft; ConflictError
    `not_checked_yet` before it was checked without a problem.
    """
    if draft.sheet_import is not None:
        return draft.sheet_import
    if draft.state in {_State.LAYOUT, _State.CHECKING} or draft.findings.get("problems"):
        raise refuse("not_checked_yet", field="file")
    upload = replace(upload_of(draft), again=again)
    try:
        asking = replace(_asking(draft, act), key=f"import-{draft.pk}")
        made = record_import(upload=upload, act=asking)
    except RefusalError as refusal:
        keep_failure(draft.pk, refusal)
        raise
    # Its cells are of no more use; who asks again is led to what was recorded.
    ImportDraft.objects.filter(pk=draft.pk).update(
        state=_State.RECORDED, sheet_import=made, cells="", findings={}, version=F("version") + 1
    )
    return made


def keep_failure(pk: Any, refusal: RefusalError) -> None:
    """A recording that was refused leaves the draft checked, with the reason."""
    draft = ImportDraft.objects.defer("cells").get(pk=pk)
    findings = draft.findings
    if isinstance(refusal, RowsRefusedError):
        findings = {**findings, "problems": [_kept(each) for each in refusal.problems]}
    problem = {key: value for key, value in refusal.as_problem().items() if key != "problems"}
    ImportDraft.objects.filter(pk=pk).exclude(state=_State.RECORDED).update(
        state=_State.CHECKED, findings=findings, failure=problem, version=F("version") + 1
    )


def discard_draft(*, draft: ImportDraft) -> None:
    """Throws a draft away; what was recorded of it stays."""
    ImportDraft.objects.filter(pk=draft.pk).exclude(state=_State.RECORDING).delete()


def upload_of(draft: ImportDraft) -> Upload:
    return Upload(
        subject=draft.subject,
        cells=draft.cells.encode(),
        layout=layout_of(draft),
        sha256=draft.sha256,
        origin=draft.origin,
        file_name=draft.file_name,
    )


def _change(draft: ImportDraft, states: tuple[str, ...], **changes: Any) -> ImportDraft:
    """Writes the changes if the draft is still as it was read; else gives it as it is now.

    Raises ConflictError `import_under_way` when it has gone on to a state the change is not for.
    """
    if draft.state not in states:
        raise refuse("import_under_way", field="file")
    ImportDraft.objects.filter(pk=draft.pk, version=draft.version).update(
        **changes, version=F("version") + 1
    )
    return ImportDraft.objects.get(pk=draft.pk)


def _more(findings: Mapping[str, Any], problems: list[Problem]) -> dict[str, Any]:
    """The findings with more problems, by row; each column of a row is named once."""
    known = {(each["row"], each["column"]): each for each in findings["problems"]}
    for problem in sheet_order(problems):
        known.setdefault((problem.number, problem.column), _kept(problem.as_refusal().as_problem()))
    kept = sorted(known.values(), key=lambda each: each["row"])
    return {**findings, "metals": dict(findings["metals"]), "problems": kept}


def _kept(problem: Mapping[str, Any]) -> dict[str, Any]:
    """A problem as the draft keeps it, its field taken apart again."""
    _, row, *column = str(problem["field"]).split(".", 2)
    return {**problem, "row": int(row), "column": column[0] if column else ""}


def _at_one_moment(act: Act) -> Act:
    return replace(act, key="", occurred_at=act.occurred_at or clock.now())
