"""An electrolyte is measured: volume, assay, free acid. Between runs the book is brought to it."""

from __future__ import annotations

from cells.models import CellRun, ElectrolyteBatch, ElectrolyteReading
from cells.services.book_to_measured import set_contents, set_volume
from cells.services.electrolytes import (
    ElectrolyteMeasurement,
    check_measurement,
    current_batch,
    keep_measured,
    keep_reading,
    unfinished_run,
)
from lots.models import Movement
from lots.queries.holdings import AsOf, holding
from lots.services.drafts import Draft
from lots.services.posting import post
from lots.services.recording import Act, recorded_once


@recorded_once
def measure_electrolyte(
    *, batch: ElectrolyteBatch, measurement: ElectrolyteMeasurement, act: Act
) -> ElectrolyteReading:
    """Keeps the measurement; the book follows it, the difference going to the cell difference.

    While the electrolyte is in a run that has started and is not closed, nothing is posted: the
    book still shows it as it went in, and the closing of the run sets it right. Raises InvalidError
    `nothing_measured`, `basis_without_quantity`, and what a volume or an assay is refused for.
    """
    check_measurement(measurement)
    batch = current_batch(batch)
    book = holding(batch.lot, AsOf(act.moment))
    measured = keep_measured(batch.lot, measurement, book.volume_ul, act)
    run = unfinished_run(batch)
    if run is not None and run.state != CellRun.State.CHARGED:
        return keep_reading(batch, measurement, measured, None, act)
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
