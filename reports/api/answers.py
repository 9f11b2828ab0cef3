"""Reports through the API: the same answer as JSON, as CSV or as a workbook."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from tempfile import SpooledTemporaryFile
from typing import IO, Any, ClassVar, Final

from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.refusals import refuse
from lots.api.questions import Question, QuestionView
from lots.api.records import show
from lots.models import Party
from lots.people.permissions import customer_looking
from lots.queries.report_reading import reading_for_report
from reports.exports.tables import Table, as_json, totals_of, write_csv
from reports.exports.workbook import write_workbook
from reports.services.access_records import record_access

CSV: Final = "text/csv"
XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
PDF: Final = "application/pdf"
THROUGH_HEADER: Final = "Books-Through"
AFTER_HEADER: Final = "Books-After"
HELD_IN_MEMORY_BYTES: Final = 2**20


class ReportQuestion(Question):
    """Says in which form the report is wanted."""

    forms: ClassVar[Sequence[str]] = ("json", "csv", "xlsx")

    def get_fields(self) -> dict[str, Any]:
        # `as` is a word of the language, so the field can't be declared by name.
        chosen = serializers.ChoiceField(
            choices=list(self.forms), default="json", help_text="The form of the answer."
        )
        found = {**super().get_fields(), "as": chosen}
        if "csv" in self.forms:
            found["table"] = serializers.CharField(
                required=False,
                max_length=40,
                help_text="Which table a CSV is of, by its name; the first if left out.",
            )
        return found


class ReportView(QuestionView):
    """A report. Subclasses name `asks`, `shows` and `file_name`; give `answer` and `tables`.

    The JSON has the answer with `totals` and `notes`: what the figures and their signs mean. A
    report that `may_lag` is read from the replica, if there is one: its header `Books-Through` says
    up to which movement. A request that needs a later one says so by `Books-After`.
    """

    asks: ClassVar[type[Question]] = ReportQuestion
    other_answers: ClassVar[dict[Any, Any]] = {
        (200, CSV): OpenApiTypes.BINARY,
        (200, XLSX): OpenApiTypes.BINARY,
    }
    file_name: ClassVar[str]
    may_lag: ClassVar[bool] = False

    @classmethod
    def documented(cls) -> dict[str, Any]:
        schema = super().documented()
        added = {
            "totals": {
                "type": "object",
                "description": "Of each table that has totals, by its name.",
                "additionalProperties": {
                    "type": "array",
                    "items": {"type": "object", "additionalProperties": {}},
                },
            },
            "notes": {"type": "array", "items": {"type": "string"}},
        }
        return {
            **schema,
            "properties": {**schema["properties"], **added},
            "required": [*schema["required"], *added],
        }

    def shown(self, answered: Any) -> Any:
        """What the JSON shows of the answer: the whole of it, unless told."""
        return answered

    def tables(self, answered: Any) -> list[Table]:
        """The tables of the CSV and of the workbook."""
        raise AssertionError(f"{type(self).__name__} has no tables")

    def name_of(self, asked: dict[str, Any], **path: Any) -> str:
        """The file's name, without its ending."""
        return "-".join([self.file_name, *map(str, path.values())])

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        if not self.may_lag:
            return self.compose(asked, **path)
        with reading_for_report(self._needed()) as through:
            response = self.compose(asked, **path)
        if through is not None:
            response.headers[THROUGH_HEADER] = str(through.sequence)
        return response

    def _needed(self) -> int:
        given = self.request.headers.get(AFTER_HEADER, "")
        return int(given) if given.isascii() and given.isdigit() and len(given) < 19 else 0

    def compose(self, asked: dict[str, Any], **path: Any) -> Any:
        """The whole answer, in the form asked for; everything it needs is read by its end."""
        answered = self.answer(asked, **path)
        tables = self.tables(answered)
        if asked["as"] == "json":
            return Response(
                {
                    **show(self.shown(answered), self.by_metal),
                    "totals": _totals(tables),
                    "notes": list(dict.fromkeys(note for each in tables for note in each.notes)),
                }
            )
        name = self.name_of(asked, **path)
        if asked["as"] == "csv":
            return csv_file(_chosen(tables, asked.get("table")), name)
        return workbook_file(tables, name)


def csv_file(table: Table, name: str) -> FileResponse:
    """The table as a CSV to save."""
    file = temporary()
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    write_csv(table, text)
    text.flush()
    text.detach()
    return sent(file, f"{name}.csv", f"{CSV}; charset=utf-8")


def workbook_file(tables: Iterable[Table], name: str) -> FileResponse:
    """The tables as a workbook to save."""
    file = temporary()
    try:
        write_workbook(tables, file)
    except BaseException:
        file.close()
        raise
    return sent(file, f"{name}.xlsx", XLSX)


def sent(file: IO[bytes], name: str, content_type: str) -> FileResponse:
    """A file offered for saving, so that no browser runs it."""
    file.seek(0)
    return FileResponse(file, as_attachment=True, filename=name, content_type=content_type)


def table_key(table: Table) -> str:
    """The name of a table in a request and in JSON."""
    return re.sub(r"[^a-z0-9]+", "_", table.name.lower()).strip("_")


def folded(row: dict[str, Any]) -> dict[str, Any]:
    """A table's row with the three forms of each mass under one key."""
    shown: dict[str, Any] = {}
    for key, value in row.items():
        stem, _, unit = key.rpartition("_")
        if unit in {"ug", "g", "ozt"} and f"{stem}_ug" in row:
            if row[f"{stem}_ug"] is None:
                shown[stem] = None
            else:
                shown.setdefault(stem, {})[unit] = value
        else:
            shown[key] = value
    return shown


def _totals(tables: Iterable[Table]) -> dict[str, list[dict[str, Any]]]:
    found = {}
    for table in tables:
        if table.total_by and totals_of(table, table.rows):
            found[table_key(table)] = [folded(row) for row in as_json(table)["totals"]]
    return found


def _chosen(tables: Sequence[Table], wanted: str | None) -> Table:
    if wanted is None:
        return tables[0]
    for table in tables:
        if table_key(table) == wanted:
            return table
    raise refuse(
        "unknown_table", field="table", value=wanted, table_key=", ".join(map(table_key, tables))
    )


def temporary() -> IO[bytes]:
    """A file in memory while it is small, on disk when it grows; gone once it is closed."""
    # The response that sends the file closes it.
    file: Any = SpooledTemporaryFile(max_size=HELD_IN_MEMORY_BYTES)  # noqa: SIM115
    return file  # type: ignore[no-any-return]


def note_read(
    request: Request, customer: Party | None, what: str, reference: str, form: str
) -> None:
    """Keeps that the signed-in person read a customer's data, a customer their own included."""
    record_access(
        customer=customer_looking(request) or customer,
        what=what,
        reference=reference,
        form=form,
        user=request.user,  # type: ignore[arg-type]
    )
