"""The hands of the demo: each does one bench event, in truth and through the services."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from cells.models import CellRun, ElectrolyteBatch, SlimesBag
from cells.services.charge import Charge, charge_run
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.readings import Instruments as Reading
from cells.services.readings import TimedInstruments, record_readings
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from lots import clock
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.outputs import Volume
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import Weight
from lots.models import Assay, Lot, Place
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take
from reports.demo.cast import Cast
from reports.demo.truth import UG_PER_G, Instruments, RunOutcome, TrueLot, of_fineness, run_cell

READING_HOURS = 8
NEARLY_ALL = Decimal("999.9")


@dataclass
class Bench:
    """The works in motion: a clock that is told the time, and a count of what was recorded."""

    cast: Cast
    facts: dict[str, Any]
    tools: Instruments
    tell: Callable[[str], None]
    acts: int = 0
    outcomes: dict[str, RunOutcome] = field(default_factory=dict)
    charges: dict[str, TrueLot] = field(default_factory=dict)

    @contextmanager
    def at(self, when: dt.datetime, who: str = "joss", note: str = "") -> Iterator[Act]:
        """An act at that moment, written down five minutes later."""
        self.acts += 1
        act = Act(
            who=self.cast.people[who], occurred_at=when, key=f"demo-{self.acts:05d}", note=note
        )
        with clock.at(when + dt.timedelta(minutes=5)):
            yield act

    # Measuring

    def weight(self, true_g: float, balance: str = "floor", tare_g: float = 0.0) -> Weight:
        """What a balance reads, with a tare read apart when there is a vessel."""
        scale = self.cast.balances[balance]
        u_ug, step = scale.standard_uncertainty_ug, scale.readability_ug
        tare = self.tools.weigh_ug(tare_g, u_ug=u_ug, readability_ug=step) if tare_g else 0
        gross = self.tools.weigh_ug(true_g + tare_g, u_ug=u_ug, readability_ug=step)
        return Weight(gross, tare, scale)

    def report(
        self,
        true: Mapping[str, float],
        u: Mapping[str, float],
        *,
        method: str = "gravimetric",
        laboratory: str = "quay-bench",
        side: str = "house",
        basis: str = "ppt",
        bias: float = 0.0,
    ) -> AssayReport:
        """A laboratory's report of what is truly there; `bias` shifts its silver."""
        figures = {
            metal: self.tools.figure(true.get(metal, 0.0) + (bias if metal == "Ag" else 0.0), unc)
            for metal, unc in u.items()
        }
        if basis == "ppt" and "Ag" in figures:
            # What is nearly pure is reported by difference, so that a report never sums above all.
            figures["Ag"] = min(figures["Ag"], NEARLY_ALL - sum(figures.values()) + figures["Ag"])
        return AssayReport(
            method=method,
            laboratory=self.cast.parties[laboratory],
            side=side,
            basis=basis,
            certificate=f"{laboratory[:2].upper()}-{self.acts:04d}",
            findings={metal: Finding(figures[metal], Decimal(str(u[metal]))) for metal in u},
        )

    # Receiving and assaying

    def receive(self, name: str, when: dt.datetime) -> Lot:
        """A customer's lot at the door, with the sender's own figures."""
        facts = self.facts["feed"][name]
        cast = self.cast
        true = of_fineness(facts["mass_g"], facts["ppt"])
        with self.at(when) as act:
            lot = receive_lot(
                receipt=Receipt(
                    party=cast.parties[facts["party"]],
                    owner=cast.parties[facts["owner"]],
                    form=Lot.Form.FEED,
                    place=cast.places["feed-shelf"],
                    weight=self.weight(true.mass_g, "floor", facts["tare_g"]),
                    declared={metal: Decimal(ppt) for metal, ppt in facts["declared"].items()},
                    description=facts["description"],
                ),
                act=act,
            )
        cast.true[lot.code] = true
        return lot

    def assay(self, lot: Lot, when: dt.datetime, u: Mapping[str, float], **report: Any) -> Assay:
        """A laboratory reports on a lot as it truly is."""
        true = self.cast.of(lot)
        figures = {metal: true.ppt(metal) for metal in u}
        with self.at(when, "pia") as act:
            return record_assay(lot=lot, report=self.report(figures, u, **report), act=act)

    def rule(self, assay: Assay, when: dt.datetime, reason: str) -> None:
        """That assay counts from now on."""
        with self.at(when, "pia") as act:
            rule_assay(assay=assay, reason=reason, act=act)

    # Cells

    def charge(
        self,
        cell: str,
        takes: Sequence[tuple[Lot, float | None]],
        when: dt.datetime,
        **copper: Any,
    ) -> CellRun:
        """Charges a cell with grams of lots (None: all of it)."""
        charge = TrueLot(0.0)
        wanted = []
        for lot, grams in takes:
            true = self.cast.of(lot)
            charge.add(true.take(1.0 if grams is None else grams / true.mass_g))
            wanted.append(Take(lot, None if grams is None else round(grams * UG_PER_G)))
        with self.at(when) as act:
            run = charge_run(
                charge=Charge(
                    cell=self.cast.cells[cell],
                    electrolyte=ElectrolyteBatch.objects.get(pk=self.cast.electrolytes[cell].pk),
                    takes=wanted,
                    **copper,
                ),
                act=act,
            )
        self.charges[run.code] = charge
        return run

    def run_through(
        self,
        run: CellRun,
        start: dt.datetime,
        days: float,
        *,
        remnant_share: float,
        torn: bool = False,
        stop: bool = True,
    ) -> RunOutcome:
        """Starts a run, reads its instruments every eight hours, and stops it."""
        electrolyte = self.cast.true[run.electrolyte.lot.code]
        outcome = run_cell(
            self.charges[run.code],
            electrolyte,
            remnant_share=remnant_share,
            efficiency=0.975 + 0.01 * float(self.tools.noise.random()),
            torn=torn,
        )
        self.outcomes[run.code] = outcome
        hours = [float(hour) for hour in range(0, round(days * 24) + 1, READING_HOURS)]
        currents = self.tools.currents_a(outcome.ampere_hours, hours, fall=0.42)
        readings = [
            TimedInstruments(
                start + dt.timedelta(hours=hour),
                Reading(
                    current_a=current,
                    voltage_v=self.tools.figure(2.35 + 0.6 * hour / hours[-1], 0.02),
                    temperature_c=self.tools.figure(24 + float(current) / 3, 0.3, 1),
                ),
            )
            for hour, current in zip(hours, currents, strict=True)
        ]
        with self.at(start) as act:
            start_run(run=run, first=readings[0].instruments, act=act)
        self.read_on(run, readings[1:], stop=stop)
        return outcome

    def read_on(self, run: CellRun, readings: Sequence[TimedInstruments], *, stop: bool) -> None:
        """Records what the instruments showed, then switches off at the last reading."""
        now = clock.now()
        passed = [each for each in readings if each.taken_at < now]
        last = passed[-1].taken_at
        with self.at(last, note="Readings from the bench book") as act:
            record_readings(run=run, readings=passed, act=act)
        if stop:
            with self.at(last + dt.timedelta(minutes=15)) as act:
                stop_run(run=run, act=act)

    def measured(self, code: str, *, assay: bool = True) -> ElectrolyteMeasurement:
        """Volume and titration of an electrolyte as it truly is."""
        true = self.cast.true[code]
        return ElectrolyteMeasurement(
            volume=self.volume(true.volume_l),
            assay=self.report(
                {metal: true.g_per_l(metal) for metal in ("Ag", "Cu")},
                {"Ag": 0.25, "Cu": 0.2},
                method="titration",
                basis="g_per_l",
            )
            if assay
            else None,
        )

    def volume(self, litres: float, u_l: float = 0.03) -> Volume:
        """A volume as read on a scale of tenths of a litre."""
        read = round(float(self.tools.figure(litres, u_l / 2)) * 1_000_000)
        return Volume(read, round(u_l * 1_000_000))

    def place(self, code: str) -> Place:
        return self.cast.places[code]

    def bag_of(self, run: CellRun) -> SlimesBag:
        return SlimesBag.objects.get(run=run)
