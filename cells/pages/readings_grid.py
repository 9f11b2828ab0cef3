"""A grid of readings: time, amperes and volts, a row each."""

from __future__ import annotations

from typing import Any, Final

from django import forms

from cells.services.readings import Instruments, TimedInstruments
from lots.declaration.as_page import field_for
from lots.declaration.event import questions_of
from lots.pages.bench_form import MOMENT_FORMATS
from lots.pages.form_fields import RefusingField

ASKED: Final = ("taken_at", "current_a", "voltage_v")


class GridInput(forms.Widget):
    """Rows of a moment, a current and a voltage, each as typed."""

    template_name = "cells/widgets/readings.html"
    use_fieldset = True
    wide = True
    rows = 3

    def value_from_datadict(self, data: Any, files: Any, name: str) -> list[tuple[str, ...]]:
        if not hasattr(data, "getlist"):
            return list(data.get(name, []))
        columns = [data.getlist(f"{name}-{each}") for each in ASKED]
        longest = max(map(len, columns))
        filled = [[*column, *[""] * (longest - len(column))] for column in columns]
        rows = [tuple(map(str.strip, row)) for row in zip(*filled, strict=True)]
        return [row for row in rows if any(row)]

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context(name, value, attrs)
        given = list(value or [])
        context["rows"] = given + [("",) * len(ASKED)] * max(1, self.rows - len(given))
        return context


class GridField(RefusingField):
    """Readings of the cell's instruments, each at its own moment."""

    widget = GridInput

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        asked = {each.name: each for each in questions_of(Instruments)}
        self.columns = {
            name: field_for(asked[name], needed=asked[name].needed) for name in ASKED[1:]
        }
        self.moment = forms.DateTimeField(input_formats=MOMENT_FORMATS)

    def blank(self) -> list[TimedInstruments]:
        return []

    def read(self, value: list[tuple[str, ...]]) -> list[TimedInstruments]:
        return [self._row(number, *row) for number, row in enumerate(value, 1)]

    def _row(self, number: int, taken_at: str, *figures: str) -> TimedInstruments:
        fields = [("When", self.moment), *((each.label, each) for each in self.columns.values())]
        found = []
        for (label, field), text in zip(fields, (taken_at, *figures), strict=True):
            try:
                found.append(field.clean(text))
            except forms.ValidationError as error:
                told = f"Row {number}, {label}: {' '.join(error.messages)}"
                raise forms.ValidationError(told, code=error.code or "invalid") from error
        moment, *read = found
        return TimedInstruments(moment, Instruments(**dict(zip(self.columns, read, strict=True))))
