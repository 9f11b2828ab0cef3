"""Everything on the books as open files: a CSV and a JSON Schema a table, papers, a manifest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Final

from lots.keeping import manifest
from lots.keeping.attachments import attachment_names, attachment_path
from lots.keeping.files import (
    PRIVATE_FOLDER,
    Stored,
    appearing,
    read_chunks,
    sync_folder,
    write_file,
)
from lots.keeping.row_schema import row_schema
from lots.keeping.tables import Table, kept_tables
from lots.ledger.snapshot import snapshot

FORMAT: Final = "parting-ledger-export"
VERSION: Final = 1
_LINES_AT_ONCE: Final = 1000


@dataclass(frozen=True)
class Exported:
    """What was written, and which papers the tables name that were not there."""

    tables: int
    rows: int
    files: int
    bytes: int
    missing: list[str]


def export_all(folder: Path, *, with_secrets: bool = False) -> Exported:
    """Writes every table and every attached paper, as of one moment, into a new folder.

    Writers go on meanwhile, and memory stays flat. Without `with_secrets` passwords are blanked
    and sessions and tokens left out. Raises ConflictError `target_exists`; InvalidError
    `no_such_folder`.
    """
    with appearing(folder) as partial, snapshot():
        for part in (".", "tables", "schemas", "attachments"):
            (partial / part).mkdir(PRIVATE_FOLDER)
        files: dict[str, Stored] = {}
        tables = []
        for table in kept_tables(with_secrets=with_secrets):
            rows, written = _write_table(partial, table)
            files |= written
            tables.append({"name": table.name, "rows": rows})
        papers, missing = _write_attachments(partial)
        files |= papers
        content = {
            "format": FORMAT,
            "format_version": VERSION,
            "with_secrets": with_secrets,
            "migrations": manifest.applied_migrations(),
            "ledger": manifest.ledger_stand(),
            "tables": tables,
            "files": {name: asdict(each) for name, each in files.items()},
            "missing_attachments": missing,
        }
        write_file(partial / manifest.NAME, [manifest.as_bytes(content)])
        for inner in [each for each in partial.rglob("*") if each.is_dir()]:
            sync_folder(inner)
        sync_folder(partial)
    return Exported(
        tables=len(tables),
        rows=sum(int(str(table["rows"])) for table in tables),
        files=len(papers),
        bytes=sum(each.bytes for each in files.values()),
        missing=missing,
    )


def _write_table(folder: Path, table: Table) -> tuple[int, dict[str, Stored]]:
    csv, schema = table_names(table.name)
    count = _Count()
    written = {
        csv: write_file(folder / csv, count.chunks(table.lines())),
        schema: write_file(folder / schema, [schema_bytes(table)]),
    }
    return count.lines - 1, written


def table_names(table: str) -> tuple[str, str]:
    """The names of a table's CSV file and of its schema."""
    return f"tables/{table}.csv", f"schemas/{table}.schema.json"


def schema_bytes(table: Table) -> bytes:
    """A table's JSON Schema as it is written."""
    schema: dict[str, Any] = row_schema(table.name, table.columns)
    return manifest.in_order(schema)


def _write_attachments(folder: Path) -> tuple[dict[str, Stored], list[str]]:
    written: dict[str, Stored] = {}
    missing = []
    for name in attachment_names():
        source = attachment_path(name)
        if not source.is_file():
            missing.append(name)
            continue
        inside = f"attachments/{name}"
        (folder / inside).parent.mkdir(PRIVATE_FOLDER, parents=True, exist_ok=True)
        written[inside] = write_file(folder / inside, read_chunks(source))
    return written, missing


class _Count:
    """Counts lines as they pass, many to a chunk."""

    def __init__(self) -> None:
        self.lines = 0

    def chunks(self, lines: Iterator[str]) -> Iterator[bytes]:
        while taken := list(islice(lines, _LINES_AT_ONCE)):
            self.lines += len(taken)
            yield "".join(taken).encode()
