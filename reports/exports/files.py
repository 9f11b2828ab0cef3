"""Tables, and whatever else writes itself into a file, as an answer offered for saving."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from tempfile import SpooledTemporaryFile
from typing import IO, Any, Final, TextIO

from django.http import FileResponse

from config.pages import SAVED_TYPES
from reports.exports.tables import Table, write_csv
from reports.exports.workbook import write_workbook

HELD_IN_MEMORY_BYTES: Final = 2**20


def file_of(name: str, write: Callable[[IO[bytes]], object]) -> FileResponse:
    """What `write` writes, offered for saving, so that no browser runs it; its ending says what.

    It is in memory while it is small, on disk when it grows, and gone once it is sent.
    """
    # The response that sends the file closes it.
    file: Any = SpooledTemporaryFile(max_size=HELD_IN_MEMORY_BYTES)  # noqa: SIM115
    try:
        write(file)
    except BaseException:
        file.close()
        raise
    file.seek(0)
    kind = SAVED_TYPES[name.rpartition(".")[2]]
    return FileResponse(file, as_attachment=True, filename=name, content_type=kind)


def csv_of(write: Callable[[TextIO], object]) -> Callable[[IO[bytes]], None]:
    """Writes as UTF-8 what `write` writes as text."""

    def encoded(file: IO[bytes]) -> None:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="")
        write(text)
        text.flush()
        text.detach()

    return encoded


def tables_file(tables: Iterable[Table], name: str) -> FileResponse:
    """The tables as a workbook, or the first as a CSV, as the name's ending says."""
    if name.endswith(".csv"):
        return file_of(name, csv_of(lambda text: write_csv(next(iter(tables)), text)))
    return file_of(name, lambda file: write_workbook(tables, file))
