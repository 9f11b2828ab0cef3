"""The sheets in `fixtures/sheets`, all invented: the good ones are recorded, the bad ones named."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cells.models import SlimesBag
from lots.ledger.holdings import claims_of, holding
from lots.ledger.recording import Act
from lots.models import Lot, Weighing
from lots.sheets.cells import to_json
from lots.sheets.files import read_sheet
from lots.sheets.headings import guess_layout
from lots.sheets.record import Upload, try_import
from lots.sheets.request_rows import sheet_of_rows
from lots.sheets.subjects import subject_named, subjects
from tests.imported import faults, recorded, sent

SHEETS = Path(__file__).resolve().parents[2] / "fixtures" / "sheets"
G = 1_000_000


@pytest.fixture
def manager(works):
    return Act(who=works.manager)


def sheet(name):
    return (SHEETS / name).read_bytes()


@pytest.mark.parametrize("path", sorted(SHEETS.iterdir()), ids=lambda path: path.name)
def test_each_sheet_says_first_that_it_is_invented_and_its_headings_are_known(path):
    read = read_sheet(path.read_bytes())
    assert read.rows[0].cells[0].text.startswith("Invented")
    subject = subject_named(path.name.partition("-")[0])
    guessed = guess_layout(read, subject.columns)
    width = len(read.row(guessed.header_row).cells)
    assert {source.at for source in guessed.sources.values()} == set(range(width))


def test_opening_balances_come_on_the_books(works, manager):
    recorded("opening", sheet("opening-good.xlsx"), manager)
    feed, granules, solution, bag = Lot.objects.order_by("id")
    assert holding(feed).metals == {"Ag": 1_702_555_000, "Cu": 138_045_000}
    assert (granules.content, holding(solution).volume_ul) == ("assayed", 4_500_000)
    assert SlimesBag.objects.get().lot == bag
    assert claims_of(works.brackwater) == {"Ag": 412_250_000}


def test_lots_come_in_from_a_sheet_with_decimal_commas(works, manager):
    recorded("receipts", sheet("receipts-good.csv"), manager)
    lemel, spoons, stick = Lot.objects.order_by("id")
    assert holding(lemel).mass_ug == 400_250_000
    assert holding(spoons).metals == {"Ag": 1_850_370_000, "Cu": 150_030_000}
    assert holding(stick).metals["Ag"] == 963_840_000
    assert [lot.description for lot in (lemel, stick)] == [
        "Lemel from the bench",
        "Candlestick, broken",
    ]


def test_weighings_are_kept_in_the_units_of_their_rows(works, manager):
    recorded("receipts", sheet("receipts-good.csv"), manager)
    recorded("weighings", sheet("weighings-good.tsv"), manager)
    check = Weighing.objects.filter(purpose="check").order_by("id")
    assert [weighing.net_ug for weighing in check] == [1_990_622_515, 1_204_700_000]


def test_every_fault_of_the_bad_sheet_is_named(works, manager):
    draft = sent("receipts", sheet("receipts-bad.xlsx"), manager)
    assert sorted(faults(draft)) == [
        (4, "party", "unknown_name"),
        (5, "gross", "ambiguous_number"),
        (5, "when", "ambiguous_date"),
        (6, "Ag", "cell_error"),
        (6, "gross", "formula_not_read"),
        (7, "Ag", "fineness_out_of_range"),
        (7, "form", "unknown_choice"),
        (8, "tare", "tare_above_gross"),
        (9, "gross", "ambiguous_unit"),
        (10, "balance", "unknown_name"),
        (10, "place", "cell_needed"),
    ]


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_whatever_cells_hold_each_row_is_taken_or_its_fault_is_named(works, manager, data):
    subject = data.draw(st.sampled_from(subjects()))
    plain = st.sampled_from(
        ["brackwater", "feed-shelf", "bench", "FD26-0001-2", "feed", "claim", "sighted", "925",
         "2026-05-04", "1e999", "-0", "12 ozt", "=1", "\x00", "\ud800"]
    )  # fmt: skip
    cell = st.none() | plain | st.text(max_size=30) | st.integers() | st.booleans()
    row = st.fixed_dictionaries({}, optional={column.name: cell for column in subject.columns})
    needed = {column.name: "x" for column in subject.columns if column.required}
    rows = [{**needed, **row} for row in data.draw(st.lists(row, min_size=1, max_size=3))]
    read, layout, sha256 = sheet_of_rows(subject, rows)
    if not needed.keys() <= layout.sources.keys():
        return
    upload = Upload(subject.name, to_json(read).encode(), layout, sha256)
    trial = try_import(upload=upload, act=manager)
    named = {problem["field"].split(".")[1] for problem in trial.problems}
    assert named <= {str(row.number) for row in read.rows}
    assert all(problem["code"] and problem["remedy"] for problem in trial.problems)
    assert not Lot.objects.exists()
