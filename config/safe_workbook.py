"""Opens a stranger's xlsx workbook, or refuses it before any of it is parsed.

A workbook is a zip of XML, so it can unpack to far more than it weighs, carry macros and links
to other files, or try entities. Nothing is run, followed or kept; only cells are read.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO, Final

from config.refusals import InvalidError, RefusalError
from config.workbook_reader import XML_NAME, OpenedSheet, OpenedWorkbook, ReadCell, TooLongError

MIB: Final = 1024 * 1024
WORKBOOK_SIGNATURE: Final = b"PK\x03\x04"
# Workbooks of the time before xlsx, and xlsx under a password, are in this container.
_OLD_CONTAINER: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_CHUNK: Final = 64 * 1024
_LOCAL_HEADER_BYTES: Final = 30
_ENCRYPTED: Final = 0x1
_RATIO_COUNTS_FROM: Final = 256 * 1024  # a small part of one repeated character packs without harm
_METHODS: Final = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
_BAD_NAME: Final = re.compile(r"^/|^[A-Za-z]:|\\|[\x00-\x1f\x7f]|(^|/)\.\.?(/|$)|//")
_MACRO_PART: Final = re.compile(r"vba|macrosheets|dialogsheets|activex|ctrlprops", re.IGNORECASE)
_LINK_PART: Final = re.compile(
    r"externallinks|embeddings|connections\.xml|querytables|customdata|\.bin$", re.IGNORECASE
)
# Printer settings are the one binary part that office programs add to any workbook.
_HARMLESS_PART: Final = re.compile(r"^xl/printerSettings/[^/]+\.bin$", re.IGNORECASE)
_RELATIONSHIP: Final = re.compile(rb"<(?:[\w.-]+:)?Relationship\b[^>]*>")
_OUTSIDE: Final = re.compile(rb"""TargetMode\s*=\s*["']External["']""")
_HYPERLINK: Final = re.compile(rb"""Type\s*=\s*["'][^"']*/relationships/hyperlink["']""")
_DECLARATIONS: Final = (b"<!DOCTYPE", b"<!ENTITY")
_TOO_LONG: Final = "A cell holds more text than a spreadsheet's cell can."


@dataclass(frozen=True)
class WorkbookLimits:
    """The most that is opened: packed, unpacked, how many parts, and unpacked over packed.

    `marks_max` bounds the opening signs of one part, `text_max` the characters that cells show.
    """

    bytes_max: int = 10 * MIB
    unpacked_bytes_max: int = 50 * MIB
    parts_max: int = 500
    ratio_max: int = 200
    marks_max: int = 2_500_000
    text_max: int = 10 * MIB


DEFAULT_LIMITS: Final = WorkbookLimits()


def open_workbook_safely(
    content: bytes | IO[bytes], *, limits: WorkbookLimits = DEFAULT_LIMITS, field: str = "file"
) -> OpenedWorkbook:
    """The workbook, to be read row by row with `sheet_rows`; formulas come as their text.

    Raises InvalidError on `field`: `too_large`, `not_a_workbook`, `workbook_locked`,
    `workbook_packed_too_tightly`, `workbook_has_macros`, `workbook_has_links`, `workbook_unsafe`
    (names, overlaps, archives within, document type or entity declarations).
    """
    packed = _read_at_most(content, limits.bytes_max, field)
    if packed.startswith(_OLD_CONTAINER):
        raise _refusal(
            "The workbook is under a password or in the format before xlsx.",
            code="workbook_locked",
            field=field,
            remedy="Save it as .xlsx without a password.",
        )
    if not packed.startswith(WORKBOOK_SIGNATURE):
        raise _not_a_workbook(field)
    try:
        with zipfile.ZipFile(io.BytesIO(packed)) as archive:
            _check_list_of_parts(archive, limits, field)
            _check_parts(archive, limits, field)
        book = OpenedWorkbook(packed)
    except RefusalError:
        raise
    except TooLongError as error:
        raise _unsafe(field, _TOO_LONG) from error
    except Exception as error:  # whatever parsers make of a damaged file
        raise _not_a_workbook(field) from error
    if not book.sheets:
        raise _not_a_workbook(field)
    return book


def sheet_rows(
    sheet: OpenedSheet,
    *,
    rows_max: int,
    columns_max: int,
    limits: WorkbookLimits = DEFAULT_LIMITS,
    field: str = "file",
) -> Iterator[tuple[int, list[ReadCell | None]]]:
    """The rows of a sheet of such a workbook that say anything, with their numbers.

    A row is as wide as its last cell; of what is beyond `columns_max` one cell is told. Raises
    InvalidError on `field`: `too_many_rows`, `too_large`, `workbook_unsafe`, and `not_a_workbook`
    when a part is damaged.
    """
    rows = sheet.rows(columns_max)
    left = limits.text_max
    while True:
        try:
            number, cells = next(rows, (0, {}))
        except TooLongError as error:
            raise _unsafe(field, _TOO_LONG) from error
        except Exception as error:  # parts are parsed only now
            raise _not_a_workbook(field) from error
        if not cells:
            return
        if number > rows_max:
            raise _refusal(
                f"The sheet has more than {rows_max} rows.",
                code="too_many_rows",
                field=field,
                remedy="Send it in parts.",
            )
        left -= sum(len(cell.value) for cell in cells.values() if isinstance(cell.value, str))
        if left < 0:
            raise _unpacks_too_large(limits.text_max, field)
        yield number, [cells.get(column) for column in range(1, max(cells) + 1)]


def _read_at_most(content: bytes | IO[bytes], bytes_max: int, field: str) -> bytes:
    if not isinstance(content, bytes):
        content.seek(0)
        content = content.read(bytes_max + 1)
    if len(content) > bytes_max:
        raise _refusal(
            f"The file is larger than {bytes_max / MIB:g} MiB.",
            code="too_large",
            field=field,
            remedy="Send only the sheet that is asked for.",
        )
    return content


def _check_list_of_parts(archive: zipfile.ZipFile, limits: WorkbookLimits, field: str) -> None:
    """What the archive's own directory says, before anything is unpacked."""
    parts = archive.infolist()
    if len(parts) > limits.parts_max:
        raise _too_tight(field, f"The workbook has more than {limits.parts_max} parts.")
    if sum(part.file_size for part in parts) > limits.unpacked_bytes_max:
        raise _unpacks_too_large(limits.unpacked_bytes_max, field)
    seen: set[str] = set()
    for part in parts:
        if _BAD_NAME.search(part.orig_filename) or part.filename.casefold() in seen:
            raise _unsafe(field, "A part of the workbook has a name that no workbook has.")
        seen.add(part.filename.casefold())
        if part.flag_bits & _ENCRYPTED:
            raise _refusal(
                "Parts of the workbook are encrypted.",
                code="workbook_locked",
                field=field,
                remedy="Save it as .xlsx without a password.",
            )
        if part.compress_type not in _METHODS:
            raise _unsafe(field, "The workbook is packed in a way that no workbook is.")
        if (
            part.file_size > _RATIO_COUNTS_FROM
            and part.file_size > limits.ratio_max * max(1, part.compress_size)
        ):  # fmt: skip
            raise _too_tight(field, "A part of the workbook unpacks to far more than it weighs.")
        _check_kind(part.filename, field)
    _check_no_overlap(parts, field)
    if "[content_types].xml" not in seen:
        raise _not_a_workbook(field)


def _check_kind(name: str, field: str) -> None:
    if _HARMLESS_PART.search(name):
        return
    if _MACRO_PART.search(name):
        raise _macros(field)
    if _LINK_PART.search(name):
        raise _links(field)


def _check_no_overlap(parts: Iterable[zipfile.ZipInfo], field: str) -> None:
    """No two parts may share bytes, by which a small file can unpack without end."""
    end = 0
    for part in sorted(parts, key=lambda part: part.header_offset):
        if part.header_offset < end:
            raise _unsafe(field, "Parts of the workbook overlap.")
        end = part.header_offset + _LOCAL_HEADER_BYTES + part.compress_size


def _check_parts(archive: zipfile.ZipFile, limits: WorkbookLimits, field: str) -> None:
    """Unpacks every part once, counting, so that a directory that lies is found out."""
    left = limits.unpacked_bytes_max
    for part in archive.infolist():
        content = bytearray()  # never twice in memory
        with archive.open(part) as unpacked:
            while chunk := unpacked.read(_CHUNK):
                left -= len(chunk)
                if left < 0:
                    raise _unpacks_too_large(limits.unpacked_bytes_max, field)
                content += chunk
        if content.count(b"<") > limits.marks_max:
            raise _unpacks_too_large(limits.unpacked_bytes_max, field)
        _check_content(part.filename, content, field)


def _check_content(name: str, content: bytearray, field: str) -> None:
    if content.startswith((WORKBOOK_SIGNATURE, _OLD_CONTAINER)):
        raise _unsafe(field, "The workbook holds another archive.")
    if not XML_NAME.search(name):
        return
    # In UTF-16 the declarations below would not be seen; no office program writes it.
    if b"\0" in content:
        raise _unsafe(field, "A part of the workbook is not written in UTF-8.")
    if any(declaration in content for declaration in _DECLARATIONS):
        raise _unsafe(field, "The workbook declares a document type or an entity.")
    if name.casefold() == "[content_types].xml" and b"macroenabled" in content.lower():
        raise _macros(field)
    if name.casefold().endswith(".rels"):
        for relationship in _RELATIONSHIP.findall(content):
            if _OUTSIDE.search(relationship) and not _HYPERLINK.search(relationship):
                raise _links(field)


def _not_a_workbook(field: str) -> InvalidError:
    return _refusal(
        "This is no xlsx workbook, or a damaged one.",
        code="not_a_workbook",
        field=field,
        remedy="Open it in a spreadsheet program, save it as .xlsx, and send that.",
    )


def _unpacks_too_large(bytes_max: int, field: str) -> InvalidError:
    return _refusal(
        f"Unpacked, the workbook is larger than {bytes_max / MIB:g} MiB.",
        code="too_large",
        field=field,
        remedy="Send only the sheet that is asked for.",
    )


def _too_tight(field: str, message: str) -> InvalidError:
    return _refusal(
        message,
        code="workbook_packed_too_tightly",
        field=field,
        remedy="Copy the cells as values into a new workbook and send that.",
    )


def _macros(field: str) -> InvalidError:
    return _refusal(
        "The workbook carries macros or controls.",
        code="workbook_has_macros",
        field=field,
        remedy="Save it as .xlsx, which has none, and send that.",
    )


def _links(field: str) -> InvalidError:
    return _refusal(
        "The workbook is linked to other files or carries some inside.",
        code="workbook_has_links",
        field=field,
        remedy="Copy the cells as values into a new workbook and send that.",
    )


def _unsafe(field: str, message: str) -> InvalidError:
    return _refusal(
        message,
        code="workbook_unsafe",
        field=field,
        remedy="Copy the cells as values into a new workbook and send that.",
    )


def _refusal(message: str, *, code: str, field: str, remedy: str) -> InvalidError:
    return InvalidError(message, code=code, field=field, remedy=remedy)
