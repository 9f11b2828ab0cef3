"""The forms of an import: what is sent, which column is which, and that it is to be recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from django import forms

from config.pages import message_of
from lots.models import SheetImport
from lots.sheets.cells import Sheet, letters
from lots.sheets.columns import Column, Layout, Source, header_of, layout_problems
from lots.sheets.drafts import Sent
from lots.sheets.files import check_size
from lots.sheets.subjects import Subject
from lots.sheets.values import DAY_MONTH, MONTH_DAY
from lots.unit_words import UNSAID
from lots.written import COMMA, POINT

REFUSED: Final = "refused"
_SAMPLE_LENGTH: Final = 24


class SendForm(forms.Form):
    """A file, or cells pasted from a spreadsheet."""

    subject = forms.ChoiceField(label="What the sheet holds", widget=forms.RadioSelect)
    file = forms.FileField(
        label="A file",
        required=False,
        allow_empty_file=True,
        help_text="A workbook (.xlsx), or CSV in UTF-8. At most 10 000 rows.",
        widget=forms.ClearableFileInput({"accept": ".xlsx,.csv,.txt,.tsv"}),
    )
    pasted = forms.CharField(
        label="Or cells, pasted",
        required=False,
        strip=False,
        help_text="Select the cells with their headings in the spreadsheet, copy, and paste here.",
        widget=forms.Textarea({"rows": 6, "spellcheck": "false", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, subjects: list[Subject], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choice = self.fields["subject"]
        assert isinstance(choice, forms.ChoiceField)
        choice.choices = [(subject.name, subject.title) for subject in subjects]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if "file" not in self.errors and bool(data.get("file")) == bool(data.get("pasted")):
            raise forms.ValidationError(
                "Choose a file, or paste the cells: one of the two.", code="one_source_needed"
            )
        return data

    def sent(self) -> Sent:
        file = self.cleaned_data["file"]
        if file:
            check_size(file.size)
            return Sent(file.read(), SheetImport.Origin.FILE, file.name or "")
        return Sent(self.cleaned_data["pasted"].encode(), SheetImport.Origin.PASTE)


class RecordForm(forms.Form):
    note = forms.CharField(
        label="Note kept with the import",
        required=False,
        max_length=500,
        widget=forms.TextInput({"autocomplete": "off"}),
    )
    again = forms.BooleanField(
        label="The same happened again: record this sheet once more", required=False
    )


@dataclass(frozen=True)
class ColumnChoice:
    """One column of the subject with its fields: where it stands, one value, its unit."""

    column: Column
    at: forms.BoundField
    constant: forms.BoundField
    unit: forms.BoundField | None

    @property
    def is_told(self) -> bool:
        """Whether it is needed, recognised or faulty: such columns are shown first."""
        fields = [self.at, self.constant, *([self.unit] if self.unit else [])]
        return self.column.required or any(field.value() or field.errors for field in fields[:2])

    @property
    def errors(self) -> list[str]:
        fields = [self.at, self.constant, *([self.unit] if self.unit else [])]
        return [str(error) for field in fields for error in field.errors]


class ColumnsForm(forms.Form):
    """Which column of the sheet is which, with its unit; and how days and numbers are written."""

    header_row = forms.IntegerField(
        label="Headings stand in row",
        min_value=0,
        max_value=1_048_576,
        help_text="As the spreadsheet counts; 0 when there are none.",
    )
    date_order = forms.ChoiceField(
        label="Days such as 03/04/2026",
        choices=[
            (REFUSED, "are refused as doubtful"),
            (DAY_MONTH, "have the day first"),
            (MONTH_DAY, "have the month first"),
        ],
    )
    decimal_sign = forms.ChoiceField(
        label="Numbers such as 1,234",
        choices=[
            (REFUSED, "are refused as doubtful"),
            (COMMA, "have a decimal comma"),
            (POINT, "have a decimal point"),
        ],
    )

    def __init__(self, *args: Any, subject: Subject, sheet: Sheet, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.subject, self.sheet = subject, sheet
        self.layout = self._layout_shown()
        places = [("", "not in the sheet"), *self._columns_of_the_sheet()]
        for column in subject.columns:
            self.fields[f"at-{column.name}"] = forms.ChoiceField(
                label=f"{column.header}: column of the sheet", required=False, choices=places
            )
            self.fields[f"constant-{column.name}"] = forms.CharField(
                label=f"{column.header}: the same for every row",
                required=False,
                max_length=200,
                widget=forms.TextInput({"autocomplete": "off", "spellcheck": "false"}),
            )
            if column.units:
                self.fields[f"unit-{column.name}"] = forms.ChoiceField(
                    label=f"{column.header}: unit",
                    required=False,
                    choices=[("", "choose the unit …"), *column.units],
                )
        for field in self.fields.values():
            field.error_messages["invalid_choice"] = "This is not one of the choices."

    @staticmethod
    def initial_of(layout: Layout, subject: Subject) -> dict[str, Any]:
        """The form's values for a layout; a unit that was not said is left to be chosen."""
        values: dict[str, Any] = {
            "header_row": layout.header_row,
            "date_order": layout.date_order or REFUSED,
            "decimal_sign": layout.decimal_sign or REFUSED,
        }
        for column in subject.columns:
            source = layout.sources.get(column.name, Source())
            values[f"at-{column.name}"] = "" if source.at is None else str(source.at)
            values[f"constant-{column.name}"] = source.constant
            unit = source.unit or column.usual_unit
            values[f"unit-{column.name}"] = "" if unit == UNSAID else unit
        return values

    def choices(self) -> list[ColumnChoice]:
        return [
            ColumnChoice(
                column,
                self[f"at-{column.name}"],
                self[f"constant-{column.name}"],
                self[f"unit-{column.name}"] if column.units else None,
            )
            for column in self.subject.columns
        ]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if self.errors:
            return data
        for problem in layout_problems(self.chosen(), self.subject.columns, self.sheet.width):
            part = "unit" if problem.code in {"unit_needed", "unknown_unit"} else "at"
            error = forms.ValidationError(message_of(problem), code=problem.code)
            self.add_error(f"{part}-{problem.field}", error)
        return data

    def chosen(self) -> Layout:
        data = self.cleaned_data
        sources = {}
        for column in self.subject.columns:
            at, constant = data[f"at-{column.name}"], data[f"constant-{column.name}"]
            # What is not said in the form is not to be taken for the usual unit.
            unit = data.get(f"unit-{column.name}", "") or (UNSAID if column.units else "")
            source = Source(int(at) if at else None, "" if at else constant, unit)
            if source.is_given:
                sources[column.name] = source
        ways = [data[name].replace(REFUSED, "") for name in ("date_order", "decimal_sign")]
        return Layout(data["header_row"], sources, *ways)

    def _layout_shown(self) -> Layout:
        """Where headings are looked for while the form is shown."""
        given = self.data.get("header_row") if self.is_bound else self.initial.get("header_row")
        text = str(given)
        return Layout(int(text) if text.isascii() and text.isdigit() and len(text) < 8 else 0)

    def _columns_of_the_sheet(self) -> list[tuple[str, str]]:
        """Each column by its letter, heading and first value."""
        below = [row for row in self.sheet.rows if row.number > self.layout.header_row]
        found = []
        for at in range(self.sheet.width):
            heading = header_of(self.sheet, self.layout, at)
            first = next((row.cell(at).text for row in below if row.cell(at).text), "")
            sample = f" ({_short(first)})" if first else ""
            found.append((str(at), f"{letters(at)}: {_short(heading)}{sample}"))
        return found


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= _SAMPLE_LENGTH else text[: _SAMPLE_LENGTH - 1] + "…"
