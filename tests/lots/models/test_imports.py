"""Sheets of opening balances, lots received and weighings: recorded whole, once, or not at all."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import replace

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.refusals import ConflictError, InvalidError, RowsRefusedError
from lots.ledger.holdings import claims_of, holding
from lots.ledger.reversal import reverse_movement
from lots.models import ImportDraft, ImportedRow, Lot, Movement, SheetImport, Weighing
from lots.sheets import drafts, record
from lots.sheets.columns import Source
from lots.sheets.files import read_sheet
from lots.sheets.headings import guess_layout
from lots.sheets.subjects import subject_named
from lots.sheets.workbooks import INVENTED, WRONG, write_marked, write_template
from tests.imported import faults, lines, opened, recorded, saved, sent, workbook
from tests.lots.conftest import books

G = 1_000_000
RECEIVED = ["Brought by", "Form", "Place", "When", "Gross, g", "Tare, g", "Balance", "Silver, ‰"]
TRAY = ["brackwater", "feed", "feed-shelf", "2026-05-04 09:30", "1000.5", "0.5", "bench", "925"]


@pytest.fixture
def by_manager(works, act):
    return act(9, who=works.manager)


@pytest.fixture
def nothing_recorded():
    """Asserts that the books and every import are as they were."""

    def counts():
        models = (Lot, Movement, Weighing, SheetImport, ImportedRow)
        return books(), [model.objects.count() for model in models]

    before = counts()
    return lambda: counts() == before


def test_lots_are_received_from_a_sheet_and_found_by_their_rows(works, by_manager):
    made = recorded(
        "receipts",
        lines(
            ["Invented"],
            [*RECEIVED, "Note"],
            [*TRAY, "two trays"],
            ["Pellow & Dane", "Granules", "Feed shelf", "2026-05-04", "41.87 ozt", "", "bench", ""],
        ),
        by_manager,
    )
    assert (made.code, made.row_count, made.subject) == ("SH26-0001-D", 2, "receipts")
    assert (made.recorded_by, made.file_name) == (works.manager, "invented.csv")
    first, second = made.rows.all()
    assert (first.number, second.number) == (3, 4)
    assert holding(first.lot).metals == {"Ag": 925 * G}
    assert holding(second.lot).mass_ug == 1_302_302_574
    assert (first.lot.owner, first.movement.counterparty) == (works.brackwater, works.brackwater)
    assert (first.movement.note, first.movement.kind) == ("two trays", "receipt")
    assert first.movement.imported_row == first
    weighing = Weighing.objects.get(lot=first.lot)
    assert weighing.entered_as == "1000.5 g - 0.5 g"
    assert Weighing.objects.get(lot=second.lot).entered_as == "41.87 ozt"


def test_a_row_of_an_import_is_taken_back_by_itself(works, by_manager, act):
    made = recorded("receipts", lines(RECEIVED, TRAY, TRAY), by_manager)
    first, second = made.rows.all()
    reverse_movement(movement=first.movement, reason="entered twice", act=act(9))
    assert holding(first.lot).is_empty
    assert holding(second.lot).metals == {"Ag": 925 * G}


def test_opening_balances_are_lots_and_claims(works, by_manager):
    head = ["Form", "Owner", "Place", "When", "Mass", "Volume (l)", "Silver (ozt)", "Silver ± u, g"]
    recorded(
        "opening",
        lines(
            [*head, "Content rests on"],
            ["Granules", "tern-quay", "melt-bench", "2026-05-04", 500, "", 10, "0.25", "assayed"],
            ["solution", "Tern Quay Refining", "carboys", "2026-05-04", "", 1.5, 2, "", ""],
            ["Claim", "brackwater", "", "2026-05-04", "", "", 1, "", ""],
        ),
        by_manager,
    )
    granules, solution = Lot.objects.order_by("id")
    assert holding(granules).metals == {"Ag": 311_034_768}
    assert granules.content == "assayed"
    entry = granules.entries.get()
    assert entry.standard_uncertainty_ug == 250_000
    assert (holding(solution).volume_ul, holding(solution).mass_ug) == (1_500_000, 0)
    assert claims_of(works.brackwater) == {"Ag": 31_103_477}


def test_weighings_are_facts_of_their_lots(works, by_manager, received):
    lot = received(1000)
    made = recorded(
        "weighings",
        lines(
            ["Lot", "When", "Weight", "Unit", "Scale", "Purpose"],
            [
                lot.code.lower(),
                "2026-05-04 10:00",
                "1,0024",
                "kg",
                "Bench balance",
                "check weighing",
            ],
        ),
        by_manager,
    )
    row = made.rows.get()
    weighing = Weighing.objects.get(pk=row.recorded_pk)
    assert (weighing.net_ug, weighing.purpose) == (1_002_400_000, "check")
    assert (row.lot, row.movement, row.recorded_model) == (lot, None, "lots.Weighing")


def test_every_fault_is_named_by_row_and_column_and_nothing_is_recorded(
    works, by_manager, nothing_recorded
):
    draft = sent(
        "receipts",
        lines(
            RECEIVED,
            TRAY,
            ["nobody", "feed", "nowhere", "03/04/2026", "=1+1", "", "bench", "1,234"],
            ["brackwater", "gravel", "feed-shelf", "soon", "-5", "", "kitchen", "1001"],
            ["brackwater", "feed", "feed-shelf", "2026-05-04", "", "", "bench", "#REF!"],
            ["brackwater", "feed", "feed-shelf", "2026-05-04", "5", "6", "bench", ""],
            ["brackwater", "feed", "feed-shelf", "2027-05-04", "5", "", "bench", ""],
            ["brackwater", "feed", "feed-shelf", "2026-05-04", "5 oz", "", "bench", ""],
            ["brackwater", "feed", "feed-shelf", "2026-05-04", "7000000", "", "bench", ""],
        ),
        by_manager,
    )
    assert faults(draft) == [
        (3, "when", "ambiguous_date"),
        (3, "gross", "formula_not_read"),
        (3, "Ag", "ambiguous_number"),
        (3, "party", "unknown_name"),
        (3, "place", "unknown_name"),
        (4, "form", "unknown_choice"),
        (4, "when", "not_a_date"),
        (4, "gross", "not_positive"),
        (4, "Ag", "fineness_out_of_range"),
        (4, "balance", "unknown_name"),
        (5, "gross", "cell_needed"),
        (5, "Ag", "cell_error"),
        (6, "tare", "tare_above_gross"),
        (7, "when", "in_the_future"),
        (8, "gross", "ambiguous_unit"),
        (9, "gross", "above_capacity"),
    ]
    assert all(each["remedy"] for each in draft.findings["problems"])
    assert draft.findings["metals"] == {"Ag": 925 * G}
    assert nothing_recorded()
    with pytest.raises(ConflictError) as caught:
        drafts.record_draft(draft=draft, act=by_manager)
    assert caught.value.code == "not_checked_yet"
    assert nothing_recorded()


def test_a_doubtful_day_is_read_once_its_order_is_said(works, by_manager):
    row = ["brackwater", "feed", "feed-shelf", "03/04/2026", "5", "", "bench", ""]
    recorded("receipts", lines(RECEIVED, row), by_manager, date_order="dmy")
    assert Movement.objects.get().occurred_at.date().isoformat() == "2026-04-03"


def test_one_value_can_stand_for_every_row(works, by_manager):
    made = recorded(
        "receipts",
        lines(["Gross, g", "Silver"], ["100", "925"], ["200", "800"]),
        by_manager,
        sources={
            "party": Source(constant="brackwater"),
            "place": Source(constant="feed-shelf"),
            "balance": Source(constant="bench"),
        },
    )
    assert [holding(row.lot).metals["Ag"] for row in made.rows.all()] == [92_500_000, 160_000_000]


@pytest.mark.parametrize(
    ("source", "code"),
    [
        ({"gross": Source(at=0, unit="oz")}, "unit_needed"),
        ({"gross": Source(at=0, unit="stone")}, "unknown_unit"),
        ({"gross": Source()}, "column_needed"),
        ({"gross": Source(at=1, unit="g")}, "column_used_twice"),
        ({"gross": Source(at=60, unit="g")}, "unknown_column"),
        ({"grss": Source(at=5)}, "unknown_column"),
    ],
)
def test_columns_that_cannot_be_are_refused(works, by_manager, source, code):
    sheet = lines(["Gross, g", "Brought by", "Place", "Balance"], ["1", "x", "y", "z"])
    with pytest.raises(InvalidError) as caught:
        sent("receipts", sheet, by_manager, sources=source)
    assert caught.value.code == code
    assert caught.value.field in {"gross", "grss", "party"}


def test_a_heading_that_says_only_ounces_leaves_the_unit_to_be_said(works):
    columns = subject_named("receipts").columns
    guessed = guess_layout(read_sheet(b"Gross (oz);Tare [troy ounces];Silver %\n1;2;3"), columns)
    assert {name: source.unit for name, source in guessed.sources.items()} == {
        "gross": "oz",
        "tare": "ozt",
        "Ag": "percent",
    }


def test_a_sheet_is_recorded_once(works, by_manager):
    draft = sent("receipts", lines(RECEIVED, TRAY), by_manager)
    twin = ImportDraft.objects.get(pk=draft.pk)
    made = drafts.record_draft(draft=draft, act=by_manager)
    assert drafts.record_draft(draft=twin, act=by_manager) == made
    assert drafts.record_draft(draft=ImportDraft.objects.get(), act=by_manager) == made
    assert Movement.objects.count() == 1
    assert ImportDraft.objects.get().cells == ""


def test_the_very_same_sheet_is_recorded_again_only_when_that_is_said(works, by_manager):
    first = recorded("receipts", lines(RECEIVED, TRAY), by_manager)
    draft = sent("receipts", lines(RECEIVED, TRAY), by_manager)
    with pytest.raises(ConflictError) as caught:
        drafts.record_draft(draft=draft, act=by_manager)
    assert (caught.value.code, caught.value.value) == ("already_imported", first.code)
    assert Movement.objects.count() == 1
    draft.refresh_from_db()
    assert (draft.state, draft.failure["code"]) == ("checked", "already_imported")
    drafts.record_draft(draft=draft, act=by_manager, again=True)
    assert Movement.objects.count() == 2


def test_what_fails_only_now_is_named_and_nothing_is_recorded(works, by_manager, nothing_recorded):
    draft = sent("receipts", lines(RECEIVED, TRAY, TRAY), by_manager)
    works.balance.capacity_ug = G
    works.balance.save()
    with pytest.raises(RowsRefusedError) as caught:
        drafts.record_draft(draft=draft, act=by_manager)
    named = [each["field"] for each in caught.value.as_problem()["problems"]]
    assert named == ["rows.2.gross", "rows.3.gross"]
    assert nothing_recorded()
    draft.refresh_from_db()
    assert faults(draft) == [(2, "gross", "above_capacity"), (3, "gross", "above_capacity")]


def test_a_stop_in_the_middle_leaves_nothing_and_the_draft_can_be_recorded(
    works, by_manager, nothing_recorded, monkeypatch
):
    draft = sent("receipts", lines(RECEIVED, *[TRAY] * 5), by_manager)

    def stop(done):
        if done == 3:
            raise SystemExit

    with record.telling(stop), pytest.raises(SystemExit):
        drafts.record_draft(draft=draft, act=by_manager)
    assert nothing_recorded()
    draft.refresh_from_db()
    assert drafts.record_draft(draft=draft, act=by_manager).row_count == 5


def test_a_long_sheet_is_checked_in_slices_that_go_on_where_they_stood(
    works, by_manager, nothing_recorded, monkeypatch
):
    rows = [[*TRAY, ""] for _ in range(7)]
    rows[1][-1] = rows[5][-1] = "FD26-0007-8"
    rows[4][-1] = "FD26-0007-F"
    sheet = lines([*RECEIVED, "Label it already bears"], *rows)
    kept = drafts.Sent(sheet, "paste")
    draft = drafts.begin_import(subject="receipts", sent=kept, act=by_manager)
    draft = drafts.lay_out(draft=draft, layout=drafts.layout_of(draft))
    stale = draft
    seen = []
    while draft.state == "checking":
        draft = drafts.check_slice(draft=draft, act=by_manager, rows=3)
        seen.append(draft.rows_checked)
    assert seen == [3, 6, 7]
    # A late answer to an earlier request changes nothing.
    assert drafts.check_slice(draft=stale, act=by_manager, rows=3).rows_checked == 7
    assert faults(draft) == [(3, "code", "bad_check_character"), (7, "code", "bad_check_character")]
    assert nothing_recorded()


def test_a_label_given_twice_is_found_across_slices(works, by_manager):
    sheet = lines([*RECEIVED, "Label it already bears"], *[[*TRAY, "FD26-0001-2"]] * 2)
    draft = drafts.begin_import(
        subject="receipts", sent=drafts.Sent(sheet, "paste"), act=by_manager
    )
    draft = drafts.lay_out(draft=draft, layout=drafts.layout_of(draft))
    while draft.state == "checking":
        draft = drafts.check_slice(draft=draft, act=by_manager, rows=1)
    assert faults(draft) == [(3, "code", "row_twice")]


def test_drafts_expire(works, by_manager):
    sent("receipts", lines(RECEIVED, TRAY), by_manager)
    ImportDraft.objects.update(expires_at=by_manager.moment - dt.timedelta(seconds=1))
    sent("receipts", lines(RECEIVED, TRAY), by_manager)
    assert ImportDraft.objects.count() == 1


def test_a_person_has_so_many_drafts_at_a_time(works, by_manager, monkeypatch):
    monkeypatch.setattr(drafts, "DRAFTS_MAX", 1)
    sent("receipts", lines(RECEIVED, TRAY), by_manager)
    with pytest.raises(ConflictError) as caught:
        sent("receipts", lines(RECEIVED, TRAY), by_manager)
    assert caught.value.code == "too_many_drafts"


def test_statements_a_row_are_bounded(works, by_manager):
    def statements(rows):
        upload = drafts.upload_of(sent("receipts", lines(RECEIVED, *[TRAY] * rows), by_manager))
        with CaptureQueriesContext(connection) as asked:
            record.record_import(upload=replace(upload, again=True), act=by_manager)
        return len(asked)

    few, many = statements(2), statements(12)
    assert many - few <= 10 * 20


@pytest.mark.parametrize("subject", ["opening", "receipts", "weighings"])
def test_a_template_comes_back_filled_in_as_it_went_out(works, by_manager, act, received, subject):
    received(2000, form="feed")
    file = io.BytesIO()
    write_template(subject_named(subject), file)
    page = opened(file.getvalue())
    assert page["A2"].value == INVENTED
    columns = subject_named(subject).columns
    guessed = guess_layout(read_sheet(file.getvalue()), columns)
    assert set(guessed.sources) == {column.name for column in columns}
    assert recorded(subject, file.getvalue(), by_manager).row_count == 1


def test_the_marked_workbook_says_what_is_wrong_and_comes_back_corrected(works, by_manager):
    rows = [["Invented =", 1], [], [*RECEIVED, "Note"], [*TRAY, "@SUM(A1)"], [*TRAY, "=1+1"]]
    rows[3][4], rows[4][4] = "1,234", 1234.5
    draft = sent("receipts", workbook(*rows), by_manager)
    file = io.BytesIO()
    problems = draft.findings["problems"]
    layout = drafts.layout_of(draft)
    write_marked(drafts.sheet_of(draft), layout, subject_named("receipts"), problems, file)
    page = opened(file.getvalue())
    assert page["J3"].value == WRONG
    assert page["J4"].value.startswith("Gross (column E): This number is read as thousands by some")
    assert page["J5"].value.startswith("Note (column I): This cell holds a formula")
    marked = [
        cell.coordinate for row in page for cell in row if cell.fill.fgColor.rgb[2:] == "F4B6A8"
    ]
    assert marked == ["E4", "I5"]
    texts = [cell for row in page for cell in row if isinstance(cell.value, str)]
    assert [cell.coordinate for cell in texts if cell.data_type == "f"] == []
    assert (page["I4"].value, page["I5"].value) == ("'@SUM(A1)", "'=1+1")
    page["E4"], page["I5"] = 1234, "right now"
    made = recorded("receipts", saved(page.parent), by_manager)
    assert [row.movement.note for row in made.rows.all()] == ["@SUM(A1)", "right now"]
    assert sorted(Weighing.objects.values_list("gross_ug", flat=True)) == [1234 * G, 1_234_500_000]
