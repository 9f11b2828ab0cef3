"""Importing a sheet, step by step: send it, say which column is which, look, record it whole."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any, Final

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from config.pages import put_refusal, to_save
from config.refusals import RefusalError
from lots import clock
from lots.api.filters import SheetImportFilter
from lots.ledger.recording import Act
from lots.models import ImportDraft, SheetImport
from lots.pages.lists import paged_address, show_list
from lots.people.access import role_of, staff_action, staff_form, staff_page
from lots.queries.works_zone import works_zone
from lots.sheets import drafts
from lots.sheets.cells import Sheet, letters
from lots.sheets.columns import Layout, header_of
from lots.sheets.forms import ColumnsForm, RecordForm, SendForm
from lots.sheets.headings import guess_layout
from lots.sheets.record import earlier_import
from lots.sheets.recorded import rows_of
from lots.sheets.runner import IN_REQUEST_ROWS_MAX, begin_recording, progress_of
from lots.sheets.subjects import Subject, subject_named, subjects_for
from lots.sheets.workbooks import write_marked, write_template

ROWS_A_PAGE: Final = 100
SAMPLE_ROWS: Final = 4
PROBLEMS_SHOWN: Final = 100
_State = ImportDraft.State


@staff_page
def import_list(request: HttpRequest) -> HttpResponse:
    """What was imported, the last first, and this person's sheets that are still on their way."""
    under_way = (
        ImportDraft.objects.filter(owner=request.user.pk, expires_at__gte=clock.now())
        .exclude(state=_State.RECORDED)
        .defer("cells", "findings")
    )
    titles = {subject.name: subject.title for subject in subjects_for(role_of(request))}
    return show_list(
        request,
        "lots/imports.html",
        SheetImportFilter,
        SheetImport.objects.select_related("recorded_by").order_by("-recorded_at", "-id"),
        section="bench",
        first="subject file_name recorded_by recorded_after",
        told=lambda page: [(each, _title(each.subject)) for each in page],
        more=lambda _chosen, _page: {
            "drafts": [(draft, titles.get(draft.subject, "")) for draft in under_way],
            "subjects": subjects_for(role_of(request)),
        },
    )


@staff_form
def import_new(request: HttpRequest) -> HttpResponse:
    """The first step: what it is, and a file or pasted cells."""
    subjects = subjects_for(role_of(request))
    if not subjects:
        raise PermissionDenied
    initial = {"subject": request.GET.get("subject", subjects[0].name)}
    form = SendForm(request.POST or None, request.FILES or None, subjects=subjects, initial=initial)
    status = 200
    if request.method == "POST":
        if form.is_valid():
            try:
                draft = drafts.begin_import(
                    subject=form.cleaned_data["subject"], sent=form.sent(), act=_act(request)
                )
                return redirect("import-columns", draft.pk)
            except RefusalError as refusal:
                put_refusal(form, refusal)
        status = 400
    offered = list(zip(form["subject"], subjects, strict=True))
    sources = [form["file"], form["pasted"]]
    return _page(
        request, "lots/import_new.html", status, form=form, offered=offered, sources=sources
    )


@staff_form
def import_columns(request: HttpRequest, key: Any) -> HttpResponse:
    """The second step: which column is which. The headings' row can be named and read again."""
    draft, subject = _own(request, key)
    if draft.state in {_State.RECORDING, _State.RECORDED}:
        return redirect("import-draft", draft.pk)
    sheet = drafts.sheet_of(draft)
    form = ColumnsForm(
        request.POST or None,
        subject=subject,
        sheet=sheet,
        initial=ColumnsForm.initial_of(drafts.layout_of(draft), subject),
    )
    status = 200
    if request.method == "POST" and "reread" in request.POST:
        layout = guess_layout(sheet, subject.columns, form.layout.header_row)
        initial = ColumnsForm.initial_of(layout, subject)
        form = ColumnsForm(subject=subject, sheet=sheet, initial=initial)
    elif request.method == "POST":
        if form.is_valid():
            try:
                draft = drafts.lay_out(draft=draft, layout=form.chosen())
                drafts.check_slice(draft=draft, act=_act(request))
                return redirect("import-draft", draft.pk)
            except RefusalError as refusal:
                put_refusal(form, refusal)
        status = 400
    choices = form.choices()
    below = [row for row in sheet.rows if row.number >= form.layout.header_row]
    return _page(
        request,
        "lots/import_columns.html",
        status,
        draft=draft,
        subject=subject,
        form=form,
        told=[choice for choice in choices if choice.is_told],
        rest=[choice for choice in choices if not choice.is_told],
        letters=[letters(at) for at in range(sheet.width)],
        sample=[
            (row.number, [row.cell(at).text[:40] for at in range(sheet.width)])
            for row in below[: SAMPLE_ROWS + 1]
        ],
        sheet_name=sheet.name,
    )


@staff_page
def import_draft(request: HttpRequest, key: Any) -> HttpResponse:
    """How far the check or the recording is; then what would be recorded, or what is wrong."""
    draft, subject = _own(request, key)
    if draft.state == _State.LAYOUT:
        return redirect("import-columns", draft.pk)
    if draft.sheet_import is not None:
        return redirect("import", draft.sheet_import.code)
    if draft.state == _State.RECORDING:
        return _page(
            request,
            "lots/import_recording.html",
            draft=draft,
            subject=subject,
            progress=progress_of(draft),
            form=RecordForm(),
        )
    if draft.state == _State.CHECKING:
        return _page(request, "lots/import_checking.html", draft=draft, subject=subject)
    return _page(request, "lots/import_checked.html", **_checked(draft, subject))


@staff_action
def import_check(request: HttpRequest, key: Any) -> HttpResponse:
    """Checks the next slice; the page asks for it again until there is none left."""
    draft, subject = _own(request, key)
    draft = drafts.check_slice(draft=draft, act=_act(request))
    if draft.state == _State.CHECKING and request.headers.get("HX-Request"):
        context = {"draft": draft, "subject": subject}
        return render(request, "lots/import_check_progress.html", context)
    return _go_on(request, draft)


@staff_page
def import_progress(request: HttpRequest, key: Any) -> HttpResponse:
    """How far the recording is, for the page that asks every second."""
    draft, subject = _own(request, key)
    progress = progress_of(draft)
    if draft.state != _State.RECORDING or not progress.is_heard:
        return _go_on(request, draft)
    context = {"draft": draft, "subject": subject, "progress": progress}
    return render(request, "lots/import_record_progress.html", context)


@staff_action
def import_record(request: HttpRequest, key: Any) -> HttpResponse:
    """Records the sheet: at once, or beside the request when it is long."""
    draft, subject = _own(request, key)
    form = RecordForm(request.POST)
    if draft.sheet_import is None and draft.state in {_State.LAYOUT, _State.CHECKING}:
        return redirect("import-draft", draft.pk)
    if not form.is_valid():
        return _page(request, "lots/import_checked.html", 400, **_checked(draft, subject, form))
    act = _act(request, form.cleaned_data["note"])
    again = form.cleaned_data["again"]
    if draft.row_count > IN_REQUEST_ROWS_MAX and draft.sheet_import is None:
        if not draft.findings.get("problems"):
            begin_recording(draft=draft, act=act, again=again)
        return redirect("import-draft", draft.pk)
    try:
        made = drafts.record_draft(draft=draft, act=act, again=again)
    except RefusalError as refusal:
        draft.refresh_from_db()
        shown = _checked(draft, subject, form)
        return _page(request, "lots/import_checked.html", refusal.status, **shown)
    messages.success(request, f"Recorded: {made.row_count} rows.")
    return redirect("import", made.code)


@staff_action
def import_confirm(request: HttpRequest, key: Any) -> HttpResponse:
    """Somebody says of one unlikely figure that it is right as written."""
    draft, _ = _own(request, key)
    row, column = request.POST.get("row", ""), request.POST.get("column", "")
    if not row.isascii() or not row.isdigit():
        raise Http404
    drafts.confirm_figure(draft=draft, row=int(row), column=column)
    return redirect("import-draft", draft.pk)


@staff_action
def import_discard(request: HttpRequest, key: Any) -> HttpResponse:
    draft, _ = _own(request, key)
    if draft.state == _State.RECORDING:
        return redirect("import-draft", draft.pk)
    drafts.discard_draft(draft=draft)
    messages.success(request, "The sheet is thrown away; nothing of it was recorded.")
    return redirect("imports")


@staff_page
def import_marked(request: HttpRequest, key: Any) -> HttpResponse:
    """The person's own sheet with the faulty cells marked, to correct and send again."""
    draft, subject = _own(request, key)
    if draft.state != _State.CHECKED:
        return redirect("import-draft", draft.pk)
    file = io.BytesIO()
    write_marked(
        drafts.sheet_of(draft), drafts.layout_of(draft), subject, draft.findings["problems"], file
    )
    return to_save(file.getvalue(), f"{subject.name}-to-correct.xlsx")


@staff_page
def import_template(request: HttpRequest, subject: str) -> HttpResponse:
    """An empty workbook to fill in."""
    found = next((each for each in subjects_for(role_of(request)) if each.name == subject), None)
    if found is None:
        raise Http404
    file = io.BytesIO()
    write_template(found, file)
    return to_save(file.getvalue(), f"{found.name}-to-fill-in.xlsx")


@staff_page
def import_page(request: HttpRequest, code: str) -> HttpResponse:
    """One import: who, when, what it was, and what was recorded of each row."""
    found = SheetImport.objects.select_related("recorded_by")
    made = get_object_or_404(found, code=code.upper())
    page = Paginator(rows_of(made), ROWS_A_PAGE).get_page(request.GET.get("page"))
    return _page(
        request,
        "lots/import_page.html",
        made=made,
        title=_title(made.subject),
        page=page,
        rows=page.object_list,
        query=paged_address(request),
    )


def _own(request: HttpRequest, key: Any) -> tuple[ImportDraft, Subject]:
    """This person's draft that has not expired, or Http404; 403 for what their role can't do."""
    live = ImportDraft.objects.filter(owner=request.user.pk, expires_at__gte=clock.now())
    draft = get_object_or_404(live.select_related("sheet_import"), pk=key)
    subject = subject_named(draft.subject)
    if role_of(request) not in subject.roles:
        raise PermissionDenied
    return draft, subject


def _act(request: HttpRequest, note: str = "") -> Act:
    return Act(who=request.user, note=note)  # type: ignore[arg-type]


def _go_on(request: HttpRequest, draft: ImportDraft) -> HttpResponse:
    """To the draft's own page, whoever asked: the browser or the script of the page."""
    answer = redirect("import-draft", draft.pk)
    if not request.headers.get("HX-Request"):
        return answer
    return HttpResponse(headers={"HX-Redirect": answer.url})


def _checked(
    draft: ImportDraft, subject: Subject, form: RecordForm | None = None
) -> dict[str, Any]:
    """What the checked sheet's page shows."""
    layout, sheet = drafts.layout_of(draft), drafts.sheet_of(draft)
    findings = draft.findings
    used = [column for column in subject.columns if column.name in layout.sources]
    problems = sorted(findings["problems"], key=lambda each: _place_of(each, layout))
    return {
        "draft": draft,
        "subject": subject,
        "form": form or RecordForm(),
        "columns": used,
        "preview": [
            (row["row"], [(column, row["cells"].get(column.name, "")) for column in used])
            for row in findings["preview"]
        ],
        "metals": findings["metals"].items(),
        "problems": [
            (problem, _where(problem["column"], layout, sheet, subject))
            for problem in problems[:PROBLEMS_SHOWN]
        ],
        "problem_count": len(problems),
        "rows_at_fault": len({problem["row"] for problem in problems}),
        "more_problems": max(0, len(problems) - PROBLEMS_SHOWN),
        "earlier": earlier_import(draft.subject, draft.sha256),
        "sheet_name": sheet.name,
        "zone": works_zone().key,
    }


def _place_of(problem: Mapping[str, Any], layout: Layout) -> tuple[int, int]:
    """Row and column of the sheet, to list problems as the eye finds them."""
    source = layout.sources.get(problem["column"])
    return problem["row"], -1 if source is None or source.at is None else source.at


def _where(name: str, layout: Layout, sheet: Sheet, subject: Subject) -> str:
    """A column as the person knows it: its letter and their own heading."""
    column, source = subject.column(name), layout.sources.get(name)
    if column is None:
        return "the whole row"
    if source is None or source.at is None:
        return column.header
    return f"{letters(source.at)}: {header_of(sheet, layout, source.at) or column.header}"


def _title(subject: str) -> str:
    try:
        return subject_named(subject).title
    except RefusalError:
        return subject


def _page(request: HttpRequest, template: str, status: int = 200, **context: Any) -> HttpResponse:
    return render(request, template, {"section": "bench", **context}, status=status)
