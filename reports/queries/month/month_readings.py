"""The month's readings, each with its error sources, and where it comes from."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

from django.utils import timezone

from cells.electrochemistry.current_efficiency import efficiency_prior
from cells.electrochemistry.electrolysis import SILVER_G_PER_AH
from cells.models import CellRun
from cells.queries.efficiency_history import efficiencies
from lots.ledger import accounts
from lots.ledger.holdings import AsOf
from lots.models import Assay, Lot, Measurement, Movement, Weighing
from lots.queries.works_zone import works_zone
from lots.units import UG_PER_G
from reports.queries.month.entry_uncertainty import assay_figure, volume_figure, weighing_figure
from reports.queries.month.month_facts import MonthFacts
from reports.statistics.month_rows import Reading
from reports.statistics.propagation import STATED_SHARE
from reports.statistics.uncertainty import Figure, scaled


@dataclass(frozen=True)
class Source:
    """Where a reading comes from. `kind` is weighing, volume, assay or coulombs when it was
    measured; stated or earlier when it was told or carried in from before; and estimate,
    efficiency, side or loss when it is an allowance for what is usual. `unit` is the one it was
    entered in, and `scale` turns the network's unit into it.
    """

    name: str
    kind: str
    label: str
    lot: str = ""
    taken_at: dt.datetime | None = None
    pk: int | None = None
    metal: str = ""
    unit: str = "g"
    scale: float = 1.0
    movement: Movement | None = None


class MonthReadings:
    """Gives each reading its name, which is the same wherever it is used."""

    def __init__(self, facts: MonthFacts, before: AsOf) -> None:
        self.facts = facts
        self.sources: dict[str, Source] = {}
        self._history = efficiencies({run.cell for run in facts.runs.values()}, before)

    def weighing(self, weighing: Weighing) -> Reading:
        """A net weighing, grams."""
        source = Source(
            name=f"weighing {weighing.pk}",
            kind="weighing",
            label=_labelled("weighing", weighing),
            lot=weighing.lot.code,
            taken_at=weighing.taken_at,
            pk=weighing.pk,
            movement=self.facts.movement_of.get(weighing.pk),
        )
        return self._kept(source, scaled(weighing_figure(weighing), 1 / UG_PER_G))

    def volume(self, pk: int) -> Reading:
        """A volume, litres."""
        reading = self.facts.volumes[pk]
        source = Source(
            name=f"volume {pk}",
            kind="volume",
            label=_labelled("volume", reading),
            lot=reading.lot.code,
            taken_at=reading.taken_at,
            pk=pk,
            unit="L",
            movement=self.facts.movement_of.get(pk),
        )
        return self._kept(source, scaled(volume_figure(reading), 1 / UG_PER_G))

    def grades(self, lot: Lot, since: dt.datetime | None = None) -> dict[str, list[Reading]]:
        """The assays of a lot by metal: the one that rules, or all while none does."""
        found: dict[str, list[Reading]] = defaultdict(list)
        if lot.form == Lot.Form.ELECTROLYTE:
            # Each assay of a bath is of its state at one time, and comes in by itself.
            return {}
        for assay in self.facts.assays_of[lot.pk]:
            results = self.facts.results[assay]
            if since is None or results[0].assay.reported_at >= since:
                for metal, readings in self.assay(assay).items():
                    found[metal] += readings
        return dict(found)

    def assay(self, pk: int) -> dict[str, list[Reading]]:
        """An assay's results: grams per gram, or grams per litre."""
        found = {}
        for result in self.facts.results[pk]:
            assay = result.assay
            by_mass = assay.basis == Assay.Basis.FINENESS
            source = Source(
                name=f"assay {pk}, {result.metal}",
                kind="assay",
                label=f"assay {pk} of lot {assay.lot.code} for {result.metal}",
                lot=assay.lot.code,
                taken_at=assay.reported_at,
                pk=pk,
                metal=result.metal,
                unit="ppt" if by_mass else "g/L",
                scale=1000.0 if by_mass else 1.0,
            )
            figure = scaled(assay_figure(result), 1 / source.scale)
            found[result.metal] = [self._kept(source, figure)]
        return found

    def coulombs(self, run: CellRun) -> Reading | None:
        """The charge counted, as grams of silver by Faraday's law; the meter's gain is common."""
        count = run.coulomb_count
        if count is None:
            return None
        hours = float(count.ampere_hours + count.gaps_ah)
        gain = float(run.cell.ammeter_gain_u) * hours
        own = max(float(count.total_uncertainty_ah) ** 2 - gain**2, 0.0) ** 0.5
        name = f"coulombs {count.pk}"
        source = Source(
            name=name,
            kind="coulombs",
            label=f"charge counted in run {run.code}",
            lot=run.charge_lot.code,
            taken_at=count.taken_at,
            pk=count.pk,
            unit="Ah",
            scale=1 / SILVER_G_PER_AH,
        )
        parts = {f"ammeter of cell {run.cell.code}: gain": gain, name: own}
        return self._kept(source, scaled(Figure(hours, parts), SILVER_G_PER_AH))

    def efficiency(self, run: CellRun) -> Reading:
        """What share of its charge a run should plate, by its cell's earlier runs."""
        prior = efficiency_prior(self._history[run.cell_id])
        name = f"efficiency of run {run.code}"
        own = max(prior.u_next_run**2 - prior.u_mean**2, 0.0) ** 0.5
        parts = {f"cell {run.cell.code}: mean efficiency": prior.u_mean, name: own}
        source = Source(name, "efficiency", name, lot=run.charge_lot.code, unit="")
        return self._kept(source, Figure(prior.mean, parts))

    def supplies(self, movement: Movement) -> dict[str, Reading]:
        """Metal from supplies by its certificate, grams."""
        found = {}
        for entry in self.facts.entries[movement.pk]:
            if entry.account is not None and entry.account.code == accounts.SUPPLIES:
                name = f"supplies of movement {movement.sequence}, {entry.metal}"
                source = Source(name, "stated", name, movement=movement)
                grams = -entry.mass_ug / UG_PER_G
                figure = Figure(grams, {name: STATED_SHARE * grams})
                found[entry.metal] = self._kept(source, figure)
        return found

    def stated(self, name: str, value: float, share: float, lot: Lot) -> Reading:
        """A quantity that was told, or is on the books, without a reading: sure to a share."""
        unit = "L" if lot.is_liquid else "g"
        source = Source(name, "stated", name, lot=lot.code, unit=unit)
        return self._kept(source, Figure(value, {name: share * value}))

    def given(self, name: str, kind: str, figure: Figure, lot: Lot, *, unit: str = "g") -> Reading:
        """Anything else, with the sources it has already."""
        return self._kept(Source(name, kind, name, lot=lot.code, unit=unit), figure)

    def _kept(self, source: Source, figure: Figure) -> Reading:
        self.sources[source.name] = source
        return Reading(source.name, figure)


def _labelled(what: str, measurement: Measurement) -> str:
    at = timezone.localtime(measurement.taken_at, works_zone())
    return f"{what} {measurement.pk} of lot {measurement.lot.code} at {at:%Y-%m-%d %H:%M}"
