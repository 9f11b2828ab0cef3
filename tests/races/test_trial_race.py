"""A sheet is tried while somebody posts: the trial takes no lock that the writer waits for."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import OperationalError, connection, connections, transaction

from lots import clock
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act, lock_ledger
from lots.models import Lot, Movement
from lots.services.receipt import receive_lot
from lots.sheets import drafts, receipts, record
from lots.sheets.cells import to_json
from lots.sheets.files import read_sheet
from lots.sheets.headings import guess_layout
from lots.sheets.subjects import subject_named
from tests.builders import receipt_of
from tests.conftest import MORNING
from tests.imported import lines

NOON = MORNING.replace(hour=12)
ROWS = 40
SHEET = lines(
    ["Brought by", "Place", "When", "Gross, g", "Balance", "Silver, ‰"],
    *[["brackwater", "feed-shelf", "2026-05-04 09:30", "1000", "bench", "925"]] * ROWS,
)
Trying = Callable[[Act], Any]


def try_whole(act: Act) -> Any:
    sheet = read_sheet(SHEET)
    upload = record.Upload(
        subject="receipts",
        cells=to_json(sheet).encode(),
        layout=guess_layout(sheet, subject_named("receipts").columns),
        sha256="",
        origin="file",
    )
    return record.try_import(upload=upload, act=act).problems


def check_draft(act: Act) -> Any:
    sent = drafts.Sent(SHEET, "file")
    draft = drafts.begin_import(subject="receipts", sent=sent, act=act)
    draft = drafts.lay_out(draft=draft, layout=drafts.layout_of(draft))
    draft = drafts.check_slice(draft=draft, act=act)
    assert draft.state == "checked"
    return draft.findings["problems"]


@pytest.fixture
def posted(works: SimpleNamespace, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What somebody else's receipt came to, who sends it when half the sheet has been tried."""
    tried, answers = [], []

    def post() -> None:
        with clock.at(NOON):
            try:
                with connection.cursor() as cursor:  # whoever has to wait is refused instead
                    is_sqlite = connection.vendor == "sqlite"
                    cursor.execute(
                        "PRAGMA busy_timeout = 1" if is_sqlite else "SET lock_timeout = 100"
                    )
                answers.append(
                    receive_lot(receipt=receipt_of(works), act=Act(works.operator, MORNING))
                )
            except Exception as error:
                answers.append(error)
            finally:
                connections.close_all()

    def receive_a_row(**asked: Any) -> Lot:
        lot = receive_lot(**asked)
        tried.append(lot)
        if len(tried) == ROWS // 2:
            thread = threading.Thread(target=post)
            thread.start()
            thread.join(timeout=60)
        return lot

    monkeypatch.setattr(receipts, "receive_lot", receive_a_row)
    return answers


@pytest.mark.parametrize("trying", [try_whole, check_draft])
def test_somebody_posts_at_once_while_a_sheet_is_tried(
    emptied_database: None, works: SimpleNamespace, posted: list[Any], trying: Trying
) -> None:
    assert trying(Act(works.manager)) == []
    (lot,) = posted
    assert isinstance(lot, Lot), lot
    assert Movement.objects.count() == Lot.objects.count() == 1
    assert not [result for result in run_checks() if result.found]


def test_a_trial_that_locked_the_ledger_would_keep_others_from_posting(
    emptied_database: None,
    works: SimpleNamespace,
    posted: list[Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The control: the same trial done by writing and rolling back."""

    @contextmanager
    def written_and_taken_back() -> Iterator[None]:
        with transaction.atomic():
            lock_ledger()
            yield
            transaction.set_rollback(True)

    monkeypatch.setattr(record, "on_trial", written_and_taken_back)
    assert try_whole(Act(works.manager)) == []
    (refusal,) = posted
    assert isinstance(refusal, OperationalError), refusal
    assert not Movement.objects.exists()
