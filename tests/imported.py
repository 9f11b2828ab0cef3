"""Short ways to send a sheet in and to see what came of it."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any

from openpyxl import Workbook, load_workbook

from lots.ledger.recording import Act
from lots.models import ImportDraft, SheetImport
from lots.sheets import drafts


def lines(*rows: Iterable[object]) -> bytes:
    """Rows as pasted from a spreadsheet."""
    return "\n".join("\t".join(str(cell) for cell in row) for row in rows).encode()


def workbook(*rows: Iterable[object]) -> bytes:
    book = Workbook()
    for row in rows:
        book.active.append(list(row))
    return saved(book)


def saved(book: Workbook) -> bytes:
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def opened(content: bytes) -> Any:
    """The first sheet of a workbook."""
    return load_workbook(io.BytesIO(content)).worksheets[0]


def sent(subject: str, content: bytes, act: Act, **layout: Any) -> ImportDraft:
    """A sheet sent in, laid out as guessed (with `layout` changed), and checked to its end."""
    sent_in = drafts.Sent(content, "file", "invented.csv")
    draft = drafts.begin_import(subject=subject, sent=sent_in, act=act)
    guessed = drafts.layout_of(draft)
    if layout:
        sources = {**guessed.sources, **layout.pop("sources", {})}
        values = {**vars(guessed), "sources": sources, **layout}
        guessed = type(guessed)(**values)
    draft = drafts.lay_out(draft=draft, layout=guessed)
    while draft.state == ImportDraft.State.CHECKING:
        draft = drafts.check_slice(draft=draft, act=act)
    return draft


def recorded(subject: str, content: bytes, act: Act, **layout: Any) -> SheetImport:
    draft = sent(subject, content, act, **layout)
    assert draft.findings["problems"] == []
    return drafts.record_draft(draft=draft, act=act)


def faults(draft: ImportDraft) -> list[tuple[int, str, str]]:
    """Row, column and code of each problem."""
    return [(each["row"], each["column"], each["code"]) for each in draft.findings["problems"]]
