"""An electrolyte is measured: volume, assay, free acid. Between runs the book is brought to it."""

from __future__ import annotations

from typing import Final

from cells.models import ElectrolyteBatch, ElectrolyteReading
from cells.queries.likely import measured_held
from cells.services.book_to_measured import set_contents, set_volume
from cells.services.cell_warnings import look_again
from cells.services.electrolytes import (
    ASSAYED_IN_G_PER_L,
    ON_ELECTROLYTE,
    ElectrolyteMeasurement,
    check_measurement,
    current_batch,
    keep_measured,
    keep_reading,
    refuse_if_measured_since,
    run_at,
)
from lots.declaration.event import Event
from lots.ledger.drafts import Draft
from lots.ledger.holdings import AsOf, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.models import Movement


@recorded_once
def measure_electrolyte(
    *, batch: ElectrolyteBatch, measurement: ElectrolyteMeasurement, act: Act
) -> ElectrolyteReading:
    """Keeps the measurement; the book follows it, the difference going to the cell difference.

    While the electrolyte is in a run that has started and is not closed, nothing is posted: the
    book shows it as it went in until the harvest, and the closing of the run sets it right. Raises
    InvalidError `nothing_measured`, `basis_without_quantity`, and what a volume or an assay is
    refused for.
    """
    check_measurement(measurement)
    batch = current_batch(batch)
    book = holding(batch.lot, AsOf(act.moment))
    measured = keep_measured(batch.lot, measurement, book.volume_ul, act)
    run = run_at(batch, act.moment)
    if run is not None and run.started_at is not None and run.started_at <= act.moment:
        reading = keep_reading(batch, measurement, measured, None, act)
        look_again(run, act.moment)
        return reading
    movement = post(
        Draft(
            kind=Movement.Kind.ELECTROLYTE_STATE,
            stage=Movement.Stage.CELL,
            lines=set_contents(batch.lot, book, measured.contents),
            materials=set_volume(batch.lot, book, measured.reading),
        ),
        act,
    )
    return keep_reading(batch, measurement, measured, movement, act)


MEASURE: Final = Event(
    measure_electrolyte,
    on=ON_ELECTROLYTE,
    at="measure",
    name="electrolyte-measure",
    about="Measure an electrolyte: the book is brought to what was found.",
    title="Measure the electrolyte",
    lead="Volume, silver and copper in g/L, free acid: any of them. The book follows it.",
    button="Keep the measurement",
    done="The measurement is kept.",
    cautions=("run",),
    fixed=ASSAYED_IN_G_PER_L,
    likely=measured_held,
)


@undo_for(Movement.Kind.ELECTROLYTE_STATE)
def forget_measurement(movement: Movement) -> None:
    """A measurement can be taken back while no later one rests on it."""
    reading = ElectrolyteReading.objects.select_related("batch__lot").get(movement=movement)
    refuse_if_measured_since(movement, reading.batch.lot)
