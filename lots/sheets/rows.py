"""Records the rows of a sheet one by one, each by its own service, and says what failed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from django.db.models import Model

from config.refusals import RefusalError, refuse
from lots.ledger.recording import Act
from lots.measurements.unlikely import Asking, one_by_one
from lots.queries.works_zone import works_zone
from lots.sheets.cells import Sheet, SheetRow
from lots.sheets.columns import Layout, RowRead, read_row, rows_below, shows_commas, ways_of
from lots.sheets.subjects import Desk, Row, Subject
from lots.sheets.values import Ways

# After so many problems the rest is not looked at: the first ones tell what is wrong.
PROBLEMS_MAX: Final = 2000


@dataclass(frozen=True)
class Problem:
    """What is wrong with one row: the column by its name (empty: the whole row), and the refusal.

    `number` is the row's, as the spreadsheet counts.
    """

    number: int
    column: str
    refusal: RefusalError

    def as_refusal(self) -> RefusalError:
        """The refusal as the API answers it: its field is `rows.<number>.<column>`."""
        name = f"rows.{self.number}"
        self.refusal.field = f"{name}.{self.column}" if self.column else name
        for question in self.refusal.questions:
            question["field"] = self.refusal.field
        return self.refusal


@dataclass
class Outcome:
    """What came of rows: problems, what was recorded, metal in all, and the rows as read."""

    problems: list[Problem] = field(default_factory=list)
    recorded: list[tuple[int, Model]] = field(default_factory=list)
    metals: dict[str, int] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    passed_over: int = 0


class Sifter:
    """Reads and records the rows of one sheet by one layout.

    Make it inside the transaction that records: what rows name is looked up once and remembered.
    `commas_seen` is what `shows_commas` says, when that is known already.
    """

    def __init__(
        self, subject: Subject, sheet: Sheet, layout: Layout, commas_seen: bool | None = None
    ) -> None:
        self.subject = subject
        self.layout = layout
        rows = rows_below(sheet, layout)
        zone = works_zone()
        self.ways: Ways = ways_of(sheet, layout, Ways(zone))
        if commas_seen is None:
            commas_seen = shows_commas(layout, subject.columns, rows)
        self.ways = replace(self.ways, commas_seen=commas_seen)
        self.rows: Sequence[SheetRow] = self._in_time(rows) if subject.in_time else rows
        self._desk = Desk(subject)

    def record(
        self,
        act: Act,
        *,
        first: int = 0,
        last: int | None = None,
        told: Callable[[int], None] = lambda done: None,
    ) -> Outcome:
        """Records rows `first` up to `last`; call it in a transaction that ends as its caller says.

        A row with a problem records nothing, and the rows after it are still tried. `told` hears
        after each row how many are done.
        """
        outcome = Outcome()
        for done, sheet_row in enumerate(self.rows[first:last], 1):
            if len(outcome.problems) >= PROBLEMS_MAX:
                break
            self._record_one(sheet_row, act, outcome)
            told(done)
        return outcome

    def repeated(self) -> list[Problem]:
        """Rows that say again what an earlier row says, by the subject's own rule."""
        if not self.subject.once:
            return []
        seen: dict[tuple[Any, ...], int] = {}
        found = []
        for row in self.rows:
            said = tuple(self._said(row, name) for name in self.subject.once)
            if None in said:
                continue
            earlier = seen.setdefault(said, row.number)
            if earlier != row.number:
                found.append(Problem(row.number, self.subject.once[0], _row_twice(earlier)))
        return found

    def _said(self, row: SheetRow, name: str) -> Any:
        read = self._read(row, only=name)
        value = read.values.get(name)
        return value.casefold() if isinstance(value, str) else value

    def _read(self, row: SheetRow, *, only: str = "") -> RowRead:
        return read_row(row, self.layout, self.subject.columns, self.ways, only=only)

    def _in_time(self, rows: Iterable[SheetRow]) -> list[SheetRow]:
        """By their moments; rows whose moment can't be read come first, to be named at once."""
        moments = {row.number: self._said(row, "when") for row in rows}
        return sorted(
            rows,
            key=lambda row: (
                moments[row.number] is not None,
                moments[row.number].timestamp() if moments[row.number] else 0,
                row.number,
            ),
        )

    def _record_one(self, sheet_row: SheetRow, act: Act, outcome: Outcome) -> None:
        number = sheet_row.number
        read = self._read(sheet_row)
        values, unknown = self._desk.look_up(read.values)
        problems = [
            Problem(number, problem.field or "", problem) for problem in (*read.problems, *unknown)
        ]
        row = Row(number, values, self._written(sheet_row, values))
        if not problems:
            try:
                # The service makes a savepoint of its own, so a refused row leaves nothing.
                recorded = self.subject.record(row, self._asking(number, act))
            except RefusalError as refusal:
                for each in one_by_one(refusal):
                    column = self.subject.column_at_fault(each.field)
                    problems.append(Problem(number, column, each))
            else:
                if recorded is None:
                    outcome.passed_over += 1
                    return
                outcome.recorded.append((number, recorded))
                if self.subject.metals is not None:
                    for metal, mass_ug in self.subject.metals(row).items():
                        outcome.metals[metal] = outcome.metals.get(metal, 0) + mass_ug
        outcome.problems += problems
        outcome.rows.append(row)

    def _asking(self, number: int, act: Act) -> Act:
        """The act asks about the row's own figures, if it asks at all."""
        if not isinstance(act.doubter, Asking):
            return act
        asking = act.doubter.of_row(f"rows.{number}", self.subject.column_at_fault)
        return replace(act, doubter=asking)

    def _written(self, row: SheetRow, values: dict[str, Any]) -> dict[str, str]:
        """Each value as it was written, with the unit it was read in."""
        written = {}
        for name in values:
            source = self.layout.sources[name]
            text = row.cell(source.at).text if source.at is not None else source.constant
            column = self.subject.column(name)
            assert column is not None
            unit = values.get(column.unit_in) or source.unit or column.usual_unit
            has_own = text[-1:].isalpha()
            written[name] = f"{text} {unit}" if unit and not has_own else text
        return written


def sheet_order(problems: Iterable[Problem]) -> list[Problem]:
    """By row, each column of a row once: the first thing said of it counts."""
    found: dict[tuple[int, str], Problem] = {}
    for problem in problems:
        found.setdefault((problem.number, problem.column), problem)
    return sorted(found.values(), key=lambda problem: problem.number)


def _row_twice(earlier: int) -> RefusalError:
    return refuse("row_twice", value=f"row {earlier}", earlier=earlier)
