"""Reports through the API: the same answer as JSON, as CSV, as a workbook or on paper."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import IO, Any, ClassVar, Final

from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.pages import SAVED_TYPES
from config.refusals import refuse
from lots.api.questions import QuestionView
from lots.models import Party
from lots.people.permissions import customer_looking
from lots.queries.report_reading import reading_for_report
from reports.exports.files import file_of, tables_file
from reports.exports.tables import Table, as_json, totals_of
from reports.services.access_records import record_access

THROUGH_HEADER: Final = "Books-Through"
AFTER_HEADER: Final = "Books-After"
WHICH_TABLE: Final = serializers.CharField(
    required=False,
    max_length=40,
    help_text="Which table a CSV is of, by its name; the first if left out.",
)
CURRENCY: Final = serializers.RegexField(
    r"^[A-Z]{3}\Z",
    required=False,
    default="",
    help_text="Values the losses at the prices entered in this currency (ISO 4217).",
)


def form_asked(forms: Sequence[str]) -> serializers.ChoiceField:
    """In which form a report is wanted: the first if left out."""
    return serializers.ChoiceField(
        choices=list(forms), default=forms[0], help_text="The form of the answer."
    )


class ReportView(QuestionView):
    """A report. Subclasses name `asks`, `shows`, `file_name` and `tables_of`, and `answer`.

    `tables_of` makes the tables of CSV and workbook; the JSON then has `totals` and `notes`, what
    the figures and their signs mean. `written_as` writes the answer to a file by its form, where it
    is no table. A report that `may_lag` is read from the replica, if there is one: its header
    `Books-Through` says up to which movement. A request that needs a later one says so by
    `Books-After`.
    """

    forms: ClassVar[Sequence[str]] = ("json", "csv", "xlsx")
    tables_of: ClassVar[Callable[[Any], Sequence[Table]] | None] = None
    written_as: ClassVar[Mapping[str, Callable[[Any, IO[bytes]], object]]] = {}
    file_name: ClassVar[str] = ""
    # Where every total is nought, none is told.
    tells_totals: ClassVar[bool] = True
    may_lag: ClassVar[bool] = False

    def __init_subclass__(cls, **kwargs: Any) -> None:
        cls.asks = {**cls.asks, "as": form_asked(cls.forms)}
        if cls.tables_of is not None and "json" in cls.forms:
            cls.asks["table"] = WHICH_TABLE
        cls.other_answers = {
            (200, SAVED_TYPES[form].partition(";")[0]): OpenApiTypes.BINARY
            for form in cls.forms
            if form != "json"
        }
        super().__init_subclass__(**kwargs)

    @classmethod
    def documented(cls) -> dict[str, Any]:
        schema = super().documented()
        if cls.tables_of is None:
            return schema
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
        kind = type(self)
        answered, form = self.answer(asked, **path), asked["as"]
        name = "-".join([*filter(None, [self.file_name]), *map(str, path.values())])
        if form in self.written_as:
            write = self.written_as[form]
            return file_of(f"{name}.{form}", lambda file: write(answered, file))
        tables = kind.tables_of(answered) if kind.tables_of else ()
        if form == "csv":
            tables = [_chosen(tables, asked.get("table"))]
        if form != "json":
            return tables_file(tables, f"{name}.{form}")
        shown = self.shown(answered)
        if kind.tables_of is not None:
            shown["totals"] = _totals(tables) if self.tells_totals else {}
            shown["notes"] = list(dict.fromkeys(note for each in tables for note in each.notes))
        return Response(shown)


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
        if table.total_by and totals_of(table, table.cells()):
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
