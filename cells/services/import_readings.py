"""Imports readings of running cells, such as a logger keeps them."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from cells.models import CellRun, RunReading
from cells.services.readings import Instruments, record_reading
from lots.codes import parse_code
from lots.declaration.event import questions_of
from lots.ledger.recording import Act
from lots.sheets.columns import Column, Kind
from lots.sheets.parts import NOTE, WHEN
from lots.sheets.subjects import (
    OFFICE_AND_BENCH,
    Finder,
    Row,
    Subject,
    finder_for,
    register,
    unknown_name,
)

_G_PER_L: Final = (("g/L", "grams per litre (g/L)"),)


@finder_for("run")
def _runs() -> Finder:
    def find(text: str, column: str) -> CellRun:
        code = str(parse_code(text, field=column))
        run = CellRun.objects.filter(code=code).first()
        if run is None:
            raise unknown_name("run", code, column, "Compare it with the run's page.")
        return run

    return find


def _record(row: Row, act: Act) -> RunReading:
    asked = (each.name for each in questions_of(Instruments))
    read = {name: value for name in asked if (value := row.get(name)) is not None}
    return record_reading(run=row.get("run"), instruments=Instruments(**read), act=row.act(act))


def _solution(name: str, header: str, example: str) -> Column:
    return Column(
        f"{name}_g_per_l",
        header,
        Kind.FIGURE,
        f"{header} in the electrolyte.",
        example,
        also_called=(f"{header} in solution", f"{header} concentration"),
        figure_units=_G_PER_L,
    )


READINGS: Final = register(
    Subject(
        name="readings",
        title="Cell readings",
        about="Readings of the instruments of running cells. They are recorded in the order they "
        "were taken, whatever the order of the rows.",
        columns=(
            Column(
                "run",
                "Run",
                Kind.NAME,
                "The code of the run; for a sheet of one run, give it once for every row.",
                "RN26-0001-A",
                required=True,
                names="run",
                also_called=("run code", "cell run"),
            ),
            Column(
                "when",
                "When",
                Kind.MOMENT,
                "The day and time at the works.",
                "2026-05-04 10:30",
                required=True,
                also_called=(*WHEN.also_called, "read at", "datetime"),
            ),
            Column(
                "current_a",
                "Current",
                Kind.FIGURE,
                "The current through the cell.",
                "24.5",
                required=True,
                also_called=("amperage", "amps"),
                figure_units=(("A", "ampere (A)"), ("mA", "milliampere (mA)")),
                factors={"mA": Decimal("0.001")},
            ),
            Column(
                "voltage_v",
                "Voltage",
                Kind.FIGURE,
                "The voltage across the cell.",
                "2.6",
                also_called=("cell voltage", "volts"),
                figure_units=(("V", "volt (V)"), ("mV", "millivolt (mV)")),
                factors={"mV": Decimal("0.001")},
            ),
            Column(
                "temperature_c",
                "Temperature",
                Kind.FIGURE,
                "The temperature of the electrolyte.",
                "31.5",
                also_called=("temp", "bath temperature"),
                figure_units=(("°C", "degrees Celsius (°C)"),),
            ),
            _solution("silver", "Silver", "62"),
            _solution("copper", "Copper", "34"),
            _solution("free_acid", "Free acid", ""),
            Column(
                "is_interruption",
                "Power off",
                Kind.YES_NO,
                "Yes when the power went off then, until the next reading.",
                also_called=("interruption", "power cut", "outage"),
            ),
            NOTE,
        ),
        record=_record,
        roles=OFFICE_AND_BENCH,
        once=("run", "when"),
        in_time=True,
    )
)
