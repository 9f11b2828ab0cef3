"""What each electrolyte holds by the book, in grams per litre, and how it has been used."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final

from cells.models import CellRun, ElectrolyteBatch, ElectrolyteReading
from lots.ledger.holdings import NOW, AsOf, holdings

CONCENTRATION_STEP: Final = Decimal("0.0001")


@dataclass(frozen=True)
class Use:
    """One run that the electrolyte served."""

    use_number: int
    run_code: str
    cell_code: str
    state: str
    charged_at: dt.datetime
    closed_at: dt.datetime | None


@dataclass(frozen=True)
class FreeAcid:
    """The latest free nitric acid found, g/L."""

    g_per_l: Decimal
    u_g_per_l: Decimal | None
    taken_at: dt.datetime


@dataclass(frozen=True)
class ElectrolyteBook:
    """One electrolyte at a moment: micrograms and g/L by metal, microlitres, acid and uses.

    While a run is under way (`in_run`) the book still shows the electrolyte as it went in.
    """

    batch: ElectrolyteBatch
    metals: dict[str, int]
    g_per_l: dict[str, Decimal]
    volume_ul: int
    free_acid: FreeAcid | None
    uses: tuple[Use, ...]
    in_run: str | None


def electrolyte_books(
    batches: Sequence[ElectrolyteBatch], as_of: AsOf = NOW
) -> list[ElectrolyteBook]:
    """Each electrolyte's book and history, in the order asked for, in a fixed number of queries."""
    ids = [batch.pk for batch in batches]
    fresh = ElectrolyteBatch.objects.select_related("lot__place", "cell").in_bulk(ids)
    held = holdings([batch.lot_id for batch in fresh.values()], as_of)
    uses = _uses(ids, as_of)
    acids = _acids(ids, as_of)
    return [
        ElectrolyteBook(
            batch=fresh[pk],
            metals=held[fresh[pk].lot_id].metals,
            g_per_l=concentrations(held[fresh[pk].lot_id].metals, held[fresh[pk].lot_id].volume_ul),
            volume_ul=held[fresh[pk].lot_id].volume_ul,
            free_acid=acids.get(pk),
            uses=tuple(uses[pk]),
            in_run=next(
                (
                    use.run_code
                    for use in uses[pk]
                    if use.state in {CellRun.State.RUNNING, CellRun.State.STOPPED}
                ),
                None,
            ),
        )
        for pk in ids
    ]


def electrolyte_book(batch: ElectrolyteBatch, as_of: AsOf = NOW) -> ElectrolyteBook:
    """One electrolyte's book and history."""
    return electrolyte_books([batch], as_of)[0]


def concentrations(metals: dict[str, int], volume_ul: int) -> dict[str, Decimal]:
    """Grams per litre (micrograms per microlitre) of each metal; none of a solution without volume.

    Rounded half-even to a tenth of a milligram per litre.
    """
    if volume_ul <= 0:
        return {}
    return {
        metal: (Decimal(mass_ug) / volume_ul).quantize(CONCENTRATION_STEP, ROUND_HALF_EVEN)
        for metal, mass_ug in metals.items()
    }


def _uses(ids: Sequence[int], as_of: AsOf) -> dict[int, list[Use]]:
    runs = CellRun.objects.filter(electrolyte__in=ids).exclude(state=CellRun.State.WITHDRAWN)
    if as_of.occurred is not None:
        runs = runs.filter(charged_at__lte=as_of.occurred)
    found: dict[int, list[Use]] = defaultdict(list)
    for run in runs.select_related("cell").order_by("charged_at", "id"):
        found[run.electrolyte_id].append(
            Use(
                run.use_number,
                run.code,
                run.cell.code,
                run.state,
                run.charged_at,
                run.closed_at,
            )
        )
    return found


def _acids(ids: Sequence[int], as_of: AsOf) -> dict[int, FreeAcid]:
    readings = ElectrolyteReading.objects.filter(batch__in=ids, free_acid_g_per_l__isnull=False)
    if as_of.occurred is not None:
        readings = readings.filter(taken_at__lte=as_of.occurred)
    if as_of.recorded is not None:
        readings = readings.filter(recorded_at__lte=as_of.recorded)
    found = {}
    for reading in readings.order_by("taken_at", "id"):
        assert reading.free_acid_g_per_l is not None
        found[reading.batch_id] = FreeAcid(
            reading.free_acid_g_per_l, reading.free_acid_u_g_per_l, reading.taken_at
        )
    return found
