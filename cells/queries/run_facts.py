"""Everything that is known of a run, as the estimate takes it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from django.db.models import F, Sum

from cells.estimate.facts import Bath, Feed, Figure, Measured, Poured, Quantity, RunFacts
from cells.estimate.priors import ANY_KIND, WORD_RELATIVE_U
from cells.models import CellRun, ElectrolyteReading, Harvest, RunMovement, RunReading
from cells.queries.current_series import power_cuts_of, readings_of
from cells.queries.past_runs import learned_of, left_in_bath
from cells.queries.standing_movements import standing
from config.refusals import refuse
from lots.elements import molar_mass
from lots.ledger.content_uncertainty import stated_uncertainties
from lots.ledger.holdings import NOW, AsOf, holding
from lots.models import AssayResult, Entry, MaterialEntry, Movement, VolumeReading
from lots.units import UG_PER_G

NITRIC_ACID_G_PER_MOL: Final = float(molar_mass({"H": 1, "N": 1, "O": 3}))
UL_PER_L: Final = 1_000_000
SECONDS_PER_HOUR: Final = 3600.0
# Relative standard uncertainties where none was stated; common practice, no source.
BOOK_RELATIVE_U: Final = 0.05
VOLUME_RELATIVE_U: Final = 0.02
READING_RELATIVE_U: Final = 0.03
ACID_RELATIVE_U: Final = 0.05
CRYSTAL_RELATIVE_U: Final = 0.002
REMNANT_RELATIVE_U: Final = 0.005
LEAST_U_G_PER_L: Final = 0.05
# A fraction of an anode is never known better than this.
LEAST_U_FRACTION: Final = 0.0003
# Of a metal that somebody gave his word for beside silver, and a part of the whole besides.
WORD_OTHER_RELATIVE_U: Final = 0.15
WORD_OTHER_U: Final = 0.002
# Silver by the book above which a charge is taken for refined metal.
FINE_FRACTION: Final = 0.985
# Liquid that clings to the crystal when it is taken out, litres a gram.
CLINGING_L_PER_G: Final = 0.00015
EVAPORATION_RELATIVE_U: Final = 0.5
# What was poured is known to this, relative.
POURED_RELATIVE_U: Final = 0.02
# What may still hang, of the whole, when crystal was harvested and no remnant taken back.
NOTHING_LEFT_U: Final = 0.02

_Hours = Callable[[dt.datetime], float]


@dataclass(frozen=True)
class RunKnown:
    """A run, its facts at `as_of`, and the moment its hours are counted from."""

    run: CellRun
    as_of: dt.datetime
    begun: dt.datetime
    facts: RunFacts

    def moment(self, hours: float) -> dt.datetime:
        """The moment so many hours after the current was switched on."""
        return self.begun + dt.timedelta(hours=hours)


def run_known(run: CellRun, at: dt.datetime) -> RunKnown:
    """What is known of a started run at `at`, or at its closing if that was earlier.

    Raises ConflictError `run_not_started`; InvalidError where the books make no anode or no
    electrolyte. A fixed number of queries.
    """
    run = CellRun.objects.select_related("cell", "electrolyte__lot", "charge_lot").get(pk=run.pk)
    if run.started_at is None or run.started_at > at:
        raise refuse("run_not_started", field="run", value=run.code)
    end = at if run.closed_at is None else min(at, run.closed_at)
    begun = run.started_at

    def hours(moment: dt.datetime) -> float:
        return (moment - begun).total_seconds() / SECONDS_PER_HOUR

    stopped_h = None
    if run.stopped_at is not None and run.stopped_at <= at:
        stopped_h = hours(run.stopped_at)
    readings = readings_of(run, end)
    feed, anode_g = _feed(run, AsOf(at))
    measured = [
        *_read_at_cell(readings, hours),
        *_of_bath(run, end, hours),
        *_weighed(run, anode_g, end, stopped_h, hours),
    ]
    live, off, dead_h = _current(readings, end, hours)
    cell = run.cell
    litres_per_h = float(cell.evaporation_ml_per_h) / 1000
    typical_a = float(live[0].current_a) if live else 1.0
    facts = RunFacts(
        anode_g=anode_g,
        feed=feed,
        bath=_bath(run, AsOf(run.charged_at)),
        now_h=hours(end),
        hours=[hours(each.taken_at) for each in live],
        current_a=[float(each.current_a) for each in live],
        off=off,
        measured=measured,
        poured=list(_poured(run, end, hours)),
        learned=learned_of(run),
        ended_h=dead_h,
        stopped_h=stopped_h,
        u_gain=float(cell.ammeter_gain_u) + float(cell.ammeter_zero_u_a) / typical_a,
        u_reading_a=float(cell.ammeter_reading_u_a),
        evaporation_l_per_h=Figure(litres_per_h, EVAPORATION_RELATIVE_U * litres_per_h)
        if litres_per_h
        else None,
    )
    return RunKnown(run, end, begun, facts)


def _feed(run: CellRun, as_of: AsOf) -> tuple[Feed, float]:
    """The anode as charged and as later assays put it: fractions, and grams in all."""
    after = (
        Movement.Kind.REMNANT,
        Movement.Kind.SLIMES,
        Movement.Kind.HARVEST,
        Movement.Kind.RUN_CLOSE,
    )
    rows = (
        Entry.objects.filter(standing("movement", as_of), lot=run.charge_lot)
        .exclude(movement__kind__in=after)
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("mass_ug"))
    )
    grams = {metal: total / UG_PER_G for metal, total in rows if total > 0}
    mass_ug = (
        MaterialEntry.objects.filter(standing("movement", as_of), lot=run.charge_lot)
        .exclude(movement__kind__in=after)
        .aggregate(total=Sum("mass_ug"))["total"]
    )
    whole_g = max((mass_ug or 0) / UG_PER_G, sum(grams.values()))
    if whole_g <= 0.0:
        raise refuse("nothing_dissolves", field="anode")
    told = told_of(grams, whole_g, stated_uncertainties([run.charge_lot])[run.charge_lot_id])
    fine = told.get("Ag", Figure(0.0, 1.0)).value >= FINE_FRACTION
    return Feed("fine" if fine else ANY_KIND, told), whole_g


def told_of(
    grams: Mapping[str, float], whole_g: float, relative: Mapping[str, float | None]
) -> dict[str, Figure]:
    """Fractions by metal: measured as stated, or somebody's word with what a word is worth."""
    told = {}
    for metal in ("Ag", "Cu", "Pd", "Au"):
        if metal not in grams:
            continue
        fraction, known = grams[metal] / whole_g, relative.get(metal)
        if known is not None:
            u = known * fraction
        elif metal == "Ag":
            u = WORD_RELATIVE_U * min(fraction, 10.0 * (1.0 - fraction) + 0.01)
        else:
            u = WORD_OTHER_RELATIVE_U * fraction + WORD_OTHER_U
        told[metal] = Figure(fraction, max(u, LEAST_U_FRACTION))
    return told


def _bath(run: CellRun, as_of: AsOf) -> Bath:
    """The electrolyte as charged, by the book, or as the run before it left it unmeasured."""
    lot = run.electrolyte.lot
    held = holding(lot, as_of)
    litres = held.volume_ul / UL_PER_L
    volume = VolumeReading.objects.filter(lot=lot, taken_at__lte=run.charged_at).order_by(
        "-taken_at", "-id"
    )
    reading = volume.first()
    u_litres = VOLUME_RELATIVE_U * litres
    if reading is not None and reading.standard_uncertainty_ul:
        u_litres = max(reading.standard_uncertainty_ul / UL_PER_L, 0.002 * litres)
    stated = stated_uncertainties([lot])[lot.pk]
    per_l: dict[str, Figure] = {}
    if litres > 0.0:
        left = left_in_bath(run)
        for metal in ("Ag", "Cu", "Pd"):
            mass_g = held.metals.get(metal, 0) / UG_PER_G
            if metal in left:
                per_l[metal] = left[metal].per_l(mass_g, litres)
            elif mass_g or run.use_number == 1:
                u = (stated.get(metal) or BOOK_RELATIVE_U) * mass_g / litres
                per_l[metal] = Figure(mass_g / litres, max(u, LEAST_U_G_PER_L))
    acid = (
        ElectrolyteReading.objects.filter(
            batch=run.electrolyte, free_acid_g_per_l__isnull=False, taken_at__lte=run.charged_at
        )
        .order_by("-taken_at", "-id")
        .first()
    )
    return Bath(
        Figure(litres, max(u_litres, 1e-6)),
        per_l,
        None if acid is None else _acid(acid.free_acid_g_per_l, acid.free_acid_u_g_per_l),
    )


def _acid(g_per_l: object, u_g_per_l: object) -> Figure:
    value = float(str(g_per_l))
    u = float(str(u_g_per_l or 0)) or max(ACID_RELATIVE_U * value, LEAST_U_G_PER_L)
    return Figure(value / NITRIC_ACID_G_PER_MOL, u / NITRIC_ACID_G_PER_MOL)


def _current(
    readings: Sequence[RunReading], end: dt.datetime, hours: _Hours
) -> tuple[list[RunReading], list[tuple[float, float]], float | None]:
    """Readings under current, the times without power, and when the cell was found to pass none.

    A reading of nothing that is no power cut says that it passed none until the next; the last
    readings of all, that contact is lost.
    """
    cuts = power_cuts_of(readings, end) if readings else []
    off = [(hours(cut.start), hours(cut.end)) for cut in cuts]
    live = [each for each in readings if each.current_a > 0 and not each.is_interruption]
    dead_h = None
    following = [*(each.taken_at for each in readings[1:]), None][: len(readings)]
    for each, until in zip(readings, following, strict=True):
        if each.current_a > 0 or each.is_interruption:
            dead_h = None
        else:
            dead_h = hours(each.taken_at) if dead_h is None else dead_h
            if until is not None:
                off.append((hours(each.taken_at), hours(until)))
    if dead_h is not None:
        off = [(begun, ended) for begun, ended in off if begun < dead_h]
    return live, off, dead_h if live else None


def _read_at_cell(readings: Sequence[RunReading], hours: _Hours) -> Iterator[Measured]:
    """Concentrations read at the cell without a stated uncertainty."""
    for reading in readings:
        at = hours(reading.taken_at)
        for quantity, value in _PER_L_READ:
            figure = getattr(reading, value)
            if figure is not None:
                found = float(figure)
                u = max(READING_RELATIVE_U * found, LEAST_U_G_PER_L)
                yield Measured(at, quantity, Figure(found, u), f"{quantity} read at the cell")
        if reading.free_acid_g_per_l is not None:
            yield Measured(at, "acid_mol_per_l", _acid(reading.free_acid_g_per_l, None))


_PER_L_READ: Final[tuple[tuple[Quantity, str], ...]] = (
    ("silver_g_per_l", "silver_g_per_l"),
    ("copper_g_per_l", "copper_g_per_l"),
)
_PER_L_ASSAYED: Final[Mapping[str, Quantity]] = {
    "Ag": "silver_g_per_l",
    "Cu": "copper_g_per_l",
    "Pd": "palladium_g_per_l",
}


def _of_bath(run: CellRun, end: dt.datetime, hours: _Hours) -> Iterator[Measured]:
    """What was measured of the electrolyte since the start, in two queries."""
    readings = list(
        ElectrolyteReading.objects.filter(
            batch=run.electrolyte, taken_at__gt=run.started_at, taken_at__lte=end
        ).select_related("volume")
    )
    at = {each.assay_id: hours(each.taken_at) for each in readings if each.assay_id}
    for reading in readings:
        if reading.volume is not None:
            litres = reading.volume.volume_ul / UL_PER_L
            u = (reading.volume.standard_uncertainty_ul or 0) / UL_PER_L
            found = Figure(litres, u or VOLUME_RELATIVE_U * litres)
            yield Measured(hours(reading.taken_at), "volume_l", found)
        if reading.free_acid_g_per_l is not None:
            acid = _acid(reading.free_acid_g_per_l, reading.free_acid_u_g_per_l)
            yield Measured(hours(reading.taken_at), "acid_mol_per_l", acid)
    for result in AssayResult.objects.filter(assay__in=at, assay__withdrawal__isnull=True):
        quantity = _PER_L_ASSAYED.get(result.metal)
        if quantity is not None:
            u = max(float(result.standard_uncertainty), 1e-3 * float(result.value), 1e-3)
            yield Measured(at[result.assay_id], quantity, Figure(float(result.value), u))


def _weighed(
    run: CellRun, anode_g: float, end: dt.datetime, stopped_h: float | None, hours: _Hours
) -> Iterator[Measured]:
    """The remnant and the crystal, both as of the moment the current was switched off."""
    if stopped_h is None:
        return
    remnant_ug = (
        MaterialEntry.objects.filter(
            standing("movement", NOW),
            lot=run.charge_lot,
            movement__kind=Movement.Kind.REMNANT,
            movement__occurred_at__lte=end,
        ).aggregate(total=Sum("mass_ug"))["total"]
        or 0
    )
    harvested = (
        Entry.objects.filter(
            standing("movement", NOW),
            movement__harvest__run=run,
            movement__occurred_at__lte=end,
            lot=F("movement__harvest__lot"),
            metal="Ag",
        )
        .values_list("mass_ug", "standard_uncertainty_ug")
        .first()
    )
    if remnant_ug:
        left_g = -remnant_ug / UG_PER_G
        u = REMNANT_RELATIVE_U * (left_g + 0.2 * anode_g)
        yield Measured(stopped_h, "anode_left_g", Figure(left_g, u), "anode remnant")
    elif harvested is not None:
        nothing = Figure(0.0, NOTHING_LEFT_U * anode_g)
        yield Measured(stopped_h, "anode_left_g", nothing, "no anode remnant")
    if harvested is not None:
        crystal_g = harvested[0] / UG_PER_G
        u = max((harvested[1] or 0) / UG_PER_G, CRYSTAL_RELATIVE_U * crystal_g)
        yield Measured(stopped_h, "crystal_g", Figure(crystal_g, u), "crystal")


def _poured(run: CellRun, end: dt.datetime, hours: _Hours) -> Iterator[Poured]:
    """What the ledger has of additions, bleeds and rinses, and what clings to the crystal."""
    kinds = (Movement.Kind.TOP_UP, Movement.Kind.BLEED, Movement.Kind.RINSE)
    moved = RunMovement.objects.filter(
        standing("movement", NOW),
        run=run,
        movement__kind__in=kinds,
        movement__occurred_at__gt=run.started_at,
        movement__occurred_at__lte=end,
    ).order_by()
    bath = run.electrolyte.lot_id
    grams: dict[tuple[dt.datetime, int], dict[str, float]] = {}
    for at, pk, metal, total in (
        moved.filter(movement__entries__lot=bath)
        .values_list("movement__occurred_at", "movement_id", "movement__entries__metal")
        .annotate(total=Sum("movement__entries__mass_ug"))
    ):
        grams.setdefault((at, pk), {})[metal] = total / UG_PER_G
    litres = {
        (at, pk): total / UL_PER_L
        for at, pk, total in moved.filter(movement__material_entries__lot=bath)
        .values_list("movement__occurred_at", "movement_id")
        .annotate(total=Sum("movement__material_entries__volume_ul"))
    }
    for key in sorted(grams.keys() | litres.keys()):
        volume = litres.get(key, 0.0)
        found = Figure(volume, POURED_RELATIVE_U * abs(volume) + 1e-6)
        yield Poured(hours(key[0]), found, grams.get(key, {}))
    harvest = Harvest.objects.filter(
        standing("movement", NOW), run=run, harvested_at__lte=end
    ).select_related("weighing")
    for each in harvest:
        clings_l = CLINGING_L_PER_G * each.weighing.net_ug / UG_PER_G
        yield Poured(hours(each.harvested_at), Figure(-clings_l, 0.5 * clings_l + 1e-6))
