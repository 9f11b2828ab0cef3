"""Importing on the pages: sent, laid out, looked at, recorded; by its sender and role only."""

from __future__ import annotations

import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from openpyxl import load_workbook

from lots.models import ImportDraft, Movement, SheetImport, Weighing
from lots.sheets import drafts
from lots.sheets.files import read_sheet
from lots.sheets.workbooks import WRONG
from tests.imported import lines, workbook

RECEIVED = ["Brought by", "Place", "When", "Gross, g", "Balance", "Silver, ‰"]
TRAY = ["brackwater", "feed-shelf", "2026-05-04 09:30", "1000", "bench", "925"]


@pytest.fixture
def office(works, browse_as):
    return browse_as(works.manager)


def send_sheet(browser, content, subject="receipts", **more):
    """The address of the columns' page after a sheet was sent in."""
    given = {"subject": subject, **more}
    if isinstance(content, str):
        given["pasted"] = content
    else:
        given["file"] = SimpleUploadedFile("invented.csv", content)
    answer = browser.post(reverse("import-new"), given)
    assert answer.status_code == 302, answer.context["form"].errors
    return answer.url


def lay_out(browser, address, **changed):
    """Sends the columns' form as it is shown, with some fields changed."""
    form = browser.get(address).context["form"]
    values = {name: form[name].value() or "" for name in form.fields}
    return browser.post(address, values | changed)


def test_a_pasted_sheet_is_laid_out_looked_at_and_recorded(office, works):
    address = send_sheet(office, lines(RECEIVED, TRAY).decode())
    shown = office.get(address).content.decode()
    assert "D: Gross, g (1000)" in shown
    draft_page = lay_out(office, address).url
    page = office.get(draft_page).content.decode()
    assert "Ready to record" in page
    assert "1\u202f000.000 g\n32.151 ozt" in page
    assert "925.000 g" in page
    assert Movement.objects.count() == 0
    pk = ImportDraft.objects.get().pk
    answer = office.post(reverse("import-record", args=[pk]), {"note": "first day"}, follow=True)
    made = SheetImport.objects.get()
    assert answer.redirect_chain[-1][0] == reverse("import", args=[made.code])
    assert (made.note, made.origin, made.recorded_by) == ("first day", "paste", works.manager)
    movement = Movement.objects.get()
    assert f"/movements/{movement.sequence}/" in answer.content.decode()
    assert made.code in office.get(reverse("movement", args=[1])).content.decode()
    # Sent again by a lost answer: led to what was recorded.
    again = office.post(reverse("import-record", args=[pk]), {"note": "first day"})
    assert again.url == reverse("import", args=[made.code])
    assert office.get(draft_page).url == reverse("import", args=[made.code])
    assert Movement.objects.count() == 1
    assert made.code in office.get(reverse("imports")).content.decode()


def test_a_step_out_of_turn_leads_to_the_one_that_is_due(office):
    address = send_sheet(office, lines(RECEIVED, TRAY).decode())
    draft = ImportDraft.objects.get()

    def leads(step, ask=office.get):
        answer = ask(reverse(step, args=[draft.pk]))
        assert answer.status_code == 302
        return answer.url

    here = reverse("import-draft", args=[draft.pk])
    assert leads("import-draft") == address
    assert leads("import-marked") == leads("import-record", office.post) == here
    lay_out(office, address)
    recorded = leads("import-record", office.post)
    assert recorded == reverse("import", args=[SheetImport.objects.get().code])
    assert leads("import-columns") == leads("import-marked") == here
    assert leads("import-draft") == recorded


def test_faults_are_listed_and_marked_in_a_workbook_to_correct(office):
    bad = [*TRAY[:3], "1,234", *TRAY[4:]]
    address = send_sheet(office, workbook(RECEIVED, TRAY, bad))
    page = office.get(lay_out(office, address).url).content.decode()
    assert "Not as it stands" in page
    assert "D: Gross, g" in page
    assert "This number is read as thousands by some" in page
    draft = ImportDraft.objects.get()
    assert reverse("import-record", args=[draft.pk]) not in page
    marked = office.get(reverse("import-marked", args=[draft.pk]))
    sheet = load_workbook(io.BytesIO(marked.content)).worksheets[0]
    assert sheet["G1"].value == WRONG
    assert "Gross (column D)" in sheet["G3"].value
    refused = office.post(reverse("import-record", args=[draft.pk]), {})
    assert refused.status_code == 409
    assert not Movement.objects.exists()


def test_headings_are_read_again_in_the_row_that_is_named(office):
    address = send_sheet(office, lines(["Lots of May"], ["no", "such", "words"], RECEIVED, TRAY))
    assert office.get(address).context["form"]["header_row"].value() == 3
    form = lay_out(office, address, header_row="2", reread="1").context["form"]
    assert form["at-gross"].value() == ""
    form = lay_out(office, address, header_row="3", reread="1").context["form"]
    assert form["at-gross"].value() == "3"


def test_what_is_needed_of_the_columns_is_said_beside_them(office):
    address = send_sheet(office, lines(["Gross (oz)", "Silver"], ["1", "2"]))
    answer = lay_out(office, address)
    assert answer.status_code == 400
    errors = answer.context["form"].errors.get_json_data()
    assert {name: each[0]["code"] for name, each in errors.items()} == {
        "unit-gross": "unit_needed",
        "at-party": "column_needed",
        "at-place": "column_needed",
        "at-balance": "column_needed",
    }
    fixed = {
        "unit-gross": "ozt",
        "constant-party": "brackwater",
        "constant-place": "feed-shelf",
        "constant-balance": "bench",
    }
    assert lay_out(office, address, **fixed).status_code == 302


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"subject": "receipts"}, "one_source_needed"),
        ({"subject": "receipts", "pasted": "x", "file": b"y"}, "one_source_needed"),
        ({"subject": "nothing", "pasted": "x"}, "invalid_choice"),
        ({"subject": "receipts", "file": b""}, "empty_file"),
        ({"subject": "receipts", "file": b"\xff\xd8\xff"}, "not_a_sheet"),
        ({"subject": "receipts", "file": b"PK\x03\x04"}, "not_a_workbook"),
    ],
)
def test_what_cannot_be_sent_is_refused_on_the_form(office, given, code):
    if "file" in given:
        given = {**given, "file": SimpleUploadedFile("a.csv", given["file"])}
    answer = office.post(reverse("import-new"), given)
    assert answer.status_code == 400
    assert code in answer.context["form"].errors.as_json()
    assert not ImportDraft.objects.exists()


def test_a_long_sheet_is_checked_by_the_page_itself_slice_by_slice(office, monkeypatch):
    monkeypatch.setattr(drafts, "SLICE_ROWS", 2)
    monkeypatch.setattr(drafts.check_slice, "__kwdefaults__", {"rows": 2})
    address = send_sheet(office, lines(RECEIVED, *[TRAY] * 5))
    draft_page = lay_out(office, address).url
    shown = office.get(draft_page).content.decode()
    assert '<progress id="rows-checked" max="5" value="2">' in shown
    check = reverse("import-check", args=[ImportDraft.objects.get().pk])
    part = office.post(check, headers={"HX-Request": "true"})
    assert 'value="4"' in part.content.decode()
    done = office.post(check, headers={"HX-Request": "true"})
    assert done.headers["HX-Redirect"] == draft_page
    assert office.post(check).url == draft_page  # Without the page's script.
    assert "Ready to record" in office.get(draft_page).content.decode()


def test_a_sheet_sent_anew_warns_and_is_recorded_only_when_that_is_said(office):
    for _ in range(2):
        lay_out(office, send_sheet(office, lines(RECEIVED, TRAY)))
        draft = ImportDraft.objects.filter(state="checked").get()
        record = reverse("import-record", args=[draft.pk])
        answer = office.post(record, {})
    assert answer.status_code == 409
    page = answer.content.decode()
    assert SheetImport.objects.get().code in page
    assert "This very sheet was recorded before" in page
    assert office.post(record, {"again": "on"}).status_code == 302
    assert SheetImport.objects.count() == 2


def test_a_draft_is_its_sender_s_alone_and_can_be_thrown_away(office, works, browse_as):
    address = send_sheet(office, lines(RECEIVED, TRAY))
    other = browse_as(works.accountant)
    pk = ImportDraft.objects.get().pk
    for name in ("import-draft", "import-columns", "import-marked", "import-progress"):
        assert other.get(reverse(name, args=[pk])).status_code == 404, name
    for name in ("import-check", "import-record", "import-discard"):
        assert other.post(reverse(name, args=[pk])).status_code == 404, name
    assert office.get(reverse("import-record", args=[pk])).status_code == 405
    office.post(reverse("import-discard", args=[pk]))
    assert office.get(address).status_code == 404


def test_who_works_at_the_bench_imports_what_is_read_there_and_customers_nothing(
    works, browse_as, browser
):
    offered = browser.get(reverse("import-new")).context["form"]["subject"].field.choices
    assert [name for name, _ in offered] == ["weighings", "readings"]
    refused = browser.post(reverse("import-new"), {"subject": "opening", "pasted": "x"})
    assert refused.status_code == 400
    assert browser.get(reverse("import-template", args=["opening"])).status_code == 404
    assert browser.get(reverse("import-template", args=["readings"])).status_code == 200
    assert browse_as(works.assayer).get(reverse("import-new")).status_code == 403
    for name in ("imports", "import-new"):
        assert browse_as(works.isolde).get(reverse(name)).status_code == 404


def test_an_operator_s_weighings_are_imported(works, browser, received):
    lot = received(1000)
    sheet = lines(["Lot", "Weight", "Balance"], [lot.code, "1.0 kg", "bench"])
    lay_out(browser, send_sheet(browser, sheet, "weighings"))
    record = reverse("import-record", args=[ImportDraft.objects.get().pk])
    page = browser.post(record, {}, follow=True).content.decode()
    assert lot.code in page
    assert Weighing.objects.filter(lot=lot, purpose="check").count() == 1


@pytest.mark.parametrize("made", [lines, workbook])
def test_what_would_run_is_sent_back_as_text_and_read_again_as_it_was(office, made):
    runs = ["=HYPERLINK(1)", "+1+1", "-2+3", "@SUM(1)", "\uff1d1", "'=1"]
    headings = [*RECEIVED[:-1], "=cmd|' /C calc'!A0"]
    address = send_sheet(office, made(headings, TRAY, runs))
    answer = lay_out(office, address)
    assert answer.status_code == 302
    draft = ImportDraft.objects.get()
    marked = office.get(reverse("import-marked", args=[draft.pk])).content
    sheet = load_workbook(io.BytesIO(marked)).worksheets[0]
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    texts = [str(cell.value) for cell in cells]
    assert not [text for text in texts if text.startswith(("=", "+", "@", "\uff1d", "-"))]
    again = read_sheet(marked).rows
    first = drafts.sheet_of(draft).rows
    assert [row.cells[: len(runs)] for row in again] == [row.cells for row in first]


def test_what_no_workbook_can_hold_does_not_break_the_marked_sheet(office):
    address = send_sheet(office, lines(RECEIVED, [*TRAY[:3], "1\x01\ufffe", *TRAY[4:]]))
    assert lay_out(office, address).status_code == 302
    marked = office.get(reverse("import-marked", args=[ImportDraft.objects.get().pk]))
    assert marked.status_code == 200
    assert load_workbook(io.BytesIO(marked.content)).worksheets[0]["D2"].value == "1\ufffd\ufffd"
