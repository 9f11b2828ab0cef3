"""Reads a signed statement out of a file that somebody was given. Needs no database."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from config.refusals import InvalidError
from config.safe_workbook import WorkbookLimits, open_workbook_safely, sheet_rows
from config.workbook_reader import ROWS_MAX
from reports.exports.signature import SHEET

_PDF_HEAD: Final = b"%PDF-"
# How the attached file begins that a month's PDF carries.
_ATTACHED: Final = b'{"signed": {"content": '
FILE_BYTES_MAX: Final = 64 * 1024 * 1024


@dataclass(frozen=True)
class GivenStatement:
    """What a file says was signed, by which key, and the signature."""

    content: str
    public_key: str
    signature: str

    def figures(self) -> dict[str, Any]:
        """The content as data; an empty object when it is none."""
        try:
            found = json.loads(self.content)
        except ValueError:
            return {}
        return found if isinstance(found, dict) else {}


def given_statement(path: Path) -> GivenStatement:
    """From a month's JSON (of the API or of `month_end --json`), its workbook or its PDF.

    Raises InvalidError `no_such_file`, `too_large`, `not_readable`, `not_signed`.
    """
    if not path.is_file():
        raise _refused(f"There is no file {path}.", "no_such_file", path)
    if path.stat().st_size > FILE_BYTES_MAX:
        raise _refused("The file is too large for a statement.", "too_large", path)
    try:
        found = _read(path)
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise _refused("This is no statement that can be read.", "not_readable", path) from error
    if found is None:
        raise _refused("The statement is not signed.", "not_signed", path)
    return found


def _refused(message: str, code: str, path: Path) -> InvalidError:
    return InvalidError(
        message,
        code=code,
        field="file",
        value=path,
        remedy="Give a closed month's JSON, workbook or PDF as the works sent it.",
    )


def _read(path: Path) -> GivenStatement | None:
    with path.open("rb") as file:
        is_pdf = file.read(len(_PDF_HEAD)) == _PDF_HEAD
    if is_pdf:
        return _of_pdf(path)
    return _of_workbook(path) if zipfile.is_zipfile(path) else _of_json(path)


def _of_pdf(path: Path) -> GivenStatement | None:
    """The attached file, which stands in the PDF as plain ASCII; the printed page is not read."""
    _, found, rest = path.read_bytes().partition(_ATTACHED)
    if not found:
        return None
    data, _ = json.JSONDecoder().raw_decode((found + rest).decode("latin-1"))
    return _of_signed(data["signed"])


def _of_json(path: Path) -> GivenStatement | None:
    data = json.loads(path.read_text(encoding="utf-8"))
    if SHEET in data:
        return _of_rows((row["name"], row["value"]) for row in data[SHEET]["rows"])
    signed = data["signed"]
    if signed is None:
        return None
    return _of_signed(signed)


def _of_signed(signed: dict[str, str]) -> GivenStatement:
    return GivenStatement(signed["content"], signed["public_key"], signed["signature"])


def _of_workbook(path: Path) -> GivenStatement | None:
    limits = WorkbookLimits(bytes_max=FILE_BYTES_MAX)
    workbook = open_workbook_safely(path.read_bytes(), limits=limits)
    try:
        sheet = next(each for each in workbook.sheets if each.title == SHEET)
        rows = sheet_rows(sheet, rows_max=ROWS_MAX, columns_max=2)
        return _of_rows([cell and cell.value for cell in (*row, None, None)[:2]] for _, row in rows)
    except StopIteration:
        return None
    finally:
        workbook.close()


def _of_rows(rows: Iterable[Any]) -> GivenStatement | None:
    found: dict[str, str] = {}
    for name, value in rows:
        if name in {"Content", "Public key", "Signature"}:
            found[name] = found.get(name, "") + str(value)
    if not found:
        return None
    return GivenStatement(found["Content"], found["Public key"], found["Signature"])
