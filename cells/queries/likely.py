"""What is known of a cell, a run or a bath, for its figures to be held against."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from cells import likelihood as rules
from cells.electrochemistry.coulometry import silver_plated
from cells.estimate.outlook import RunState
from cells.models import CellRun, ElectrolyteBatch, ElectrolyteReading
from cells.queries.current_series import readings_of
from cells.queries.run_estimate import run_now
from cells.queries.slimes_expected import expected_slimes
from config.refusals import RefusalError
from lots.ledger.holdings import AsOf, holding
from lots.ledger.recording import Act
from lots.likelihood.figures import Held, HeldMoment, Range
from lots.measurements.assays import AssayReport
from lots.measurements.weighings import Weight
from lots.models import Assay, Lot
from lots.queries.likely import (
    UL_PER_ML,
    findings_held,
    mass_held,
    moment_held,
    volume_held,
    weight_held,
)
from lots.units import UG_PER_G, ug_to_g

HeldFigures = Iterator[Held | HeldMoment]
# How far a solution may be from what is reckoned of it.
_SHARE: Final = Decimal("0.45")
_IN_STATE: Final = {"Ag": "silver_g_per_l", "Cu": "copper_g_per_l", "Pd": "palladium_g_per_l"}
# Rinse water is electrolyte that clung to crystal, and fresh water.
_RINSE_SHARE: Final = Decimal("0.7")
_STATES_LOOKED_AT: Final = 20
_SECONDS_PER_HOUR: Final = 3600


def reading_held(*, run: CellRun, instruments: Any, act: Act) -> HeldFigures:
    """One reading: beside its neighbours, and not before the latest, where the day may be wrong."""
    readings = readings_of(run)
    if readings:
        yield from moment_held(
            act.moment, readings[-1].taken_at, "the cell was read later than that already"
        )
    yield from instruments_held(run, instruments, act.moment, readings, "instruments")


def readings_held(*, run: CellRun, readings: Sequence[Any], act: Act) -> HeldFigures:
    """Readings from a notebook: each beside the ones around it, those with it in the list too."""
    known: list[Any] = list(readings_of(run))
    for index, each in enumerate(readings):
        at = f"readings.{index}.instruments"
        yield from instruments_held(
            run, each.instruments, each.taken_at, known, at, states=index < _STATES_LOOKED_AT
        )
        known.append(_Read(each))


def start_held(*, run: CellRun, act: Act, first: Any = None) -> HeldFigures:
    if first is not None:
        yield from instruments_held(run, first, act.moment, [], "first")


def stop_held(*, run: CellRun, act: Act, last: Any = None) -> HeldFigures:
    if last is not None:
        yield from instruments_held(run, last, act.moment, readings_of(run), "last")


class _Read:
    """A reading not recorded yet, beside those that are."""

    def __init__(self, timed: Any) -> None:
        self.taken_at = timed.taken_at
        vars(self).update(vars(timed.instruments))


def instruments_held(
    run: CellRun,
    read: Any,
    at: dt.datetime,
    known: Sequence[Any],
    field: str,
    *,
    states: bool = True,
) -> HeldFigures:
    """What the instruments say at a moment; `known` are the other readings of the run."""
    live = [each for each in known if not each.is_interruption]
    beside = _nearest(live, at)
    hours = Decimal(abs((at - beside.taken_at).total_seconds()) if beside else 0)
    amperes = rules.current_range(
        limit_a=run.cell.current_limit_a,
        fuse_a=run.cell.fuse_rating_a,
        last_a=beside.current_a if beside else None,
        hours=hours / _SECONDS_PER_HOUR,
        is_off=read.is_interruption,
    )
    yield Held(f"{field}.current_a", read.current_a, "A", amperes, (("mA", Decimal("0.001")),))
    if read.voltage_v is not None and not read.is_interruption:
        volts = rules.voltage_range(_last(live, at, "voltage_v"))
        yield Held(f"{field}.voltage_v", read.voltage_v, "V", volts)
    if read.temperature_c is not None:
        warmth = rules.temperature_range(_last(known, at, "temperature_c"))
        yield Held(f"{field}.temperature_c", read.temperature_c, "°C", warmth)
    if read.free_acid_g_per_l is not None:
        acid = rules.acid_range(_last(known, at, "free_acid_g_per_l") or _acid(run.electrolyte))
        yield Held(f"{field}.free_acid_g_per_l", read.free_acid_g_per_l, "g/L", acid)
    found = {"Ag": read.silver_g_per_l, "Cu": read.copper_g_per_l}
    if states and any(value is not None for value in found.values()):
        bath = bath_g_per_l(run.electrolyte, run, at)
        for metal, name in (("Ag", "silver_g_per_l"), ("Cu", "copper_g_per_l")):
            if found[metal] is not None:
                limits = rules.solution_range(metal, bath.get(metal), _SHARE)
                yield Held(f"{field}.{name}", found[metal], "g/L", limits)


def remnant_held(*, run: CellRun, weight: Weight, act: Act, **_: Any) -> HeldFigures:
    state = _state(run, act.moment)
    charge_g = ug_to_g(holding(run.charge_lot, AsOf(act.moment)).mass_ug)
    if state is not None:
        left = state.anode_left_g
        limits = rules.remnant_range_g(_decimal(left.value), _decimal(left.u), charge_g)
        yield from weight_held(weight, limits)
    yield from moment_held(act.moment, run.stopped_at, "the run was stopped then")


def bag_held(*, run: CellRun, bag: Any, act: Act) -> HeldFigures:
    if bag.weight is not None:
        held = holding(run.charge_lot, AsOf(act.moment))
        _, expected = expected_slimes(run, held, act.moment)
        mass = expected.dry_mass
        limits = rules.slimes_range_g(
            _decimal(mass.mass_ug / UG_PER_G),
            _decimal(mass.u_mass_ug / UG_PER_G),
            ug_to_g(held.mass_ug),
        )
        yield from weight_held(bag.weight, limits)


def harvest_held(*, run: CellRun, crystal: Any, act: Act) -> HeldFigures:
    count = run.coulomb_count
    if count is not None:
        plated = silver_plated(
            float(count.ampere_hours + count.gaps_ah), float(count.total_uncertainty_ah), 1.0, 0.0
        )
        moment = AsOf(act.moment)
        pool_ug = sum(
            holding(lot, moment).metals.get("Ag", 0)
            for lot in (run.charge_lot, run.electrolyte.lot)
        )
        limits = rules.crystal_range_g(
            _decimal(plated.mass_g), _decimal(plated.u_mass_g), ug_to_g(pool_ug)
        )
        yield from weight_held(crystal.weight, limits)
    fine = {"Ag": Range(Decimal(900), Decimal(1000), "crystal is fine silver")}
    if crystal.assay is not None:
        yield from findings_held("assay.results", crystal.assay.findings, fine, "‰")
    for metal, value in (crystal.declared or {}).items():
        if metal in fine:
            yield Held(f"declared.{metal}", value, "‰", fine[metal])


def rinse_held(*, run: CellRun, water: Any, act: Act) -> HeldFigures:
    bath_ml = Decimal(run.cell.bath_volume_ul) / UL_PER_ML
    poured = Range(bath_ml / 50, bath_ml * 3, f"the cell itself takes {bath_ml / 1000:.3g} l")
    yield volume_held("volume.volume", water.volume.volume_ul, poured)
    if water.assay is not None:
        bath = bath_g_per_l(run.electrolyte, run, act.moment)
        limits = {
            metal: Range(Decimal(0), value * _RINSE_SHARE, f"the bath itself holds {value:.3g} g/L")
            for metal, value in bath.items()
        }
        yield from findings_held("assay.results", water.assay.findings, limits, "g/L")


def measured_held(*, batch: ElectrolyteBatch, measurement: Any, act: Act) -> HeldFigures:
    """A bath as measured: volume, grams per litre, free acid."""
    run = _run_at(batch, act.moment)
    yield from _bath_held(batch, run, measurement, act)


def closing_held(*, run: CellRun, act: Act, measurement: Any = None, **_: Any) -> HeldFigures:
    if measurement is not None:
        yield from _bath_held(run.electrolyte, run, measurement, act)
    yield from moment_held(act.moment, run.harvested_at, "the crystal was harvested then")


def bleed_held(
    *, batch: ElectrolyteBatch, volume: Any, act: Act, assay: AssayReport | None = None, **_: Any
) -> HeldFigures:
    book_ml = Decimal(holding(batch.lot, AsOf(act.moment)).volume_ul) / UL_PER_ML
    whole = Range(book_ml / 100, book_ml, f"the bath is {book_ml / 1000:.4g} l")
    yield volume_held("volume.volume", volume.volume_ul, whole)
    if assay is not None:
        yield from _solution_held(batch, _run_at(batch, act.moment), assay, act)


def top_up_held(*, batch: ElectrolyteBatch, addition: Any, act: Act) -> HeldFigures:
    if addition.volume is None:
        return
    book_ml = Decimal(holding(batch.lot, AsOf(act.moment)).volume_ul) / UL_PER_ML
    bath_ml = book_ml if batch.cell is None else Decimal(batch.cell.bath_volume_ul) / UL_PER_ML
    room = Range(
        bath_ml / 1000, max(bath_ml * Decimal("1.3") - book_ml, bath_ml / 3), "that is the room"
    )
    yield volume_held("volume.volume", addition.volume.volume_ul, room)


def made_up_held(*, make_up: Any, act: Act) -> HeldFigures:
    """A new electrolyte: what went in makes a bath of the volume measured, not brine or water."""
    silver_g = ug_to_g(make_up.supplies_ug.get("Ag", 0))
    for take in make_up.takes:
        held = holding(take.lot, AsOf(act.moment))
        whole = held.volume_ul if take.volume_ul else held.mass_ug
        part = take.volume_ul or take.mass_ug or whole
        if whole:
            silver_g += ug_to_g(held.metals.get("Ag", 0)) * part / whole
    if not silver_g:
        return
    least, most = Decimal(15), Decimal(200)
    limits = Range(
        silver_g / most * 1000,
        silver_g / least * 1000,
        f"{silver_g:.4g} g of silver went in, and baths hold {least} to {most} g/L",
    )
    if make_up.cell is not None:
        bath_ml = Decimal(make_up.cell.bath_volume_ul) / UL_PER_ML
        limits = limits.within(rules.volume_range_ml(None, bath_ml))
    yield volume_held("volume.volume", make_up.volume.volume_ul, limits)
    for metal, mass_ug in make_up.supplies_ug.items():
        litres = Decimal(make_up.volume.volume_ul) / UL_PER_ML / 1000
        low, high = rules.WORKED_G_PER_L.get(metal, (Decimal(0), Decimal(50)))
        why = f"it is made up to {litres:.3g} l"
        grams = Range(low * litres / 5, high * litres, why)
        yield mass_held(f"supplies.{metal}", mass_ug, grams)


def opened_held(*, electrolyte: Any, act: Act) -> HeldFigures:
    """An electrolyte in use, on the first day: what baths hold, and what its cell takes."""
    measurement, cell = electrolyte.measurement, electrolyte.cell
    bath_ml = None if cell is None else Decimal(cell.bath_volume_ul) / UL_PER_ML
    if measurement.volume is not None and bath_ml is not None:
        limits = rules.volume_range_ml(None, bath_ml)
        yield volume_held("volume.volume", measurement.volume.volume_ul, limits)
    if measurement.assay is not None:
        worked = {m: rules.solution_range(m, None, _SHARE) for m in rules.WORKED_G_PER_L}
        yield from findings_held("assay.results", measurement.assay.findings, worked, "g/L")
    if measurement.free_acid_g_per_l is not None:
        acid = rules.acid_range(None)
        yield Held("free_acid_g_per_l", measurement.free_acid_g_per_l, "g/L", acid)


def bath_g_per_l(batch: ElectrolyteBatch, run: CellRun | None, at: dt.datetime) -> dict[str, Any]:
    """What a bath holds at a moment: as reckoned of a run under way, else by the book."""
    if run is not None and run.started_at is not None and run.harvested_at is None:
        state = _state(run, at)
        if state is not None:
            return {
                metal: _decimal(getattr(state, name).value) for metal, name in _IN_STATE.items()
            }
    held = holding(batch.lot, AsOf(at))
    if not held.volume_ul:
        return {}
    return {metal: Decimal(ug) / held.volume_ul for metal, ug in held.metals.items()}


def _bath_held(
    batch: ElectrolyteBatch, run: CellRun | None, measurement: Any, act: Act
) -> HeldFigures:
    if measurement.volume is not None:
        volume_ul = holding(batch.lot, AsOf(act.moment)).volume_ul
        book_ml = Decimal(volume_ul) / UL_PER_ML if volume_ul else None
        bath_ml = None if batch.cell is None else Decimal(batch.cell.bath_volume_ul) / UL_PER_ML
        limits = rules.volume_range_ml(book_ml, bath_ml)
        yield volume_held("volume.volume", measurement.volume.volume_ul, limits)
    if measurement.assay is not None:
        yield from _solution_held(batch, run, measurement.assay, act)
    if measurement.free_acid_g_per_l is not None:
        acid = rules.acid_range(_acid(batch))
        yield Held("free_acid_g_per_l", measurement.free_acid_g_per_l, "g/L", acid)


def _solution_held(
    batch: ElectrolyteBatch, run: CellRun | None, assay: AssayReport, act: Act
) -> HeldFigures:
    if assay.basis != Assay.Basis.CONCENTRATION:
        return
    bath: Mapping[str, Any] = bath_g_per_l(batch, run, act.moment)
    limits = {
        metal: rules.solution_range(metal, bath.get(metal), _SHARE)
        for metal in rules.WORKED_G_PER_L
    }
    yield from findings_held("assay.results", assay.findings, limits, "g/L")


def _run_at(batch: ElectrolyteBatch, moment: dt.datetime) -> CellRun | None:
    """The run the bath is in, if it is in one that began by then."""
    runs = CellRun.objects.filter(electrolyte=batch, charged_at__lte=moment, closed_at=None)
    return runs.exclude(state=CellRun.State.WITHDRAWN).order_by("-charged_at", "-id").first()


def _state(run: CellRun, at: dt.datetime) -> RunState | None:
    """The run's state; None where the books make no anode or no electrolyte."""
    try:
        return run_now(run, at).state
    except RefusalError:
        return None


def _acid(batch: ElectrolyteBatch) -> Decimal | None:
    return (
        ElectrolyteReading.objects.filter(batch=batch, free_acid_g_per_l__isnull=False)
        .order_by("-taken_at", "-id")
        .values_list("free_acid_g_per_l", flat=True)
        .first()
    )


def _nearest(known: Sequence[Any], at: dt.datetime) -> Any:
    """The latest reading before; where there is none, the first after."""
    before = [each for each in known if each.taken_at <= at]
    if before:
        return max(before, key=lambda each: each.taken_at)
    return min(known, key=lambda each: each.taken_at, default=None)


def _last(known: Sequence[Any], at: dt.datetime, name: str) -> Decimal | None:
    beside = _nearest([each for each in known if getattr(each, name) is not None], at)
    return None if beside is None else getattr(beside, name)


def _decimal(value: float) -> Decimal:
    return Decimal(f"{value:.6f}")


def charge_held(*, charge: Any, act: Act) -> HeldFigures:
    """Portions for the basket: all together what it takes, or what it was charged with before."""
    held = {take.lot.pk: holding(take.lot, AsOf(act.moment)) for take in charge.takes}
    total_g = sum(
        (ug_to_g(each.mass_ug or held[each.lot.pk].mass_ug) for each in charge.takes), Decimal(0)
    )
    usual = _usual_charge_g(charge.cell.pk)
    most_g = charge.cell.basket_ug_max and ug_to_g(charge.cell.basket_ug_max)
    for index, take in enumerate(charge.takes):
        if not take.mass_ug:
            continue
        rest_g = total_g - ug_to_g(take.mass_ug)
        whole_g = ug_to_g(held[take.lot.pk].mass_ug)
        limits = Range(whole_g / 200, whole_g, f"the lot is {whole_g:.4g} g")
        if usual is not None:
            least_g, usual_g = usual
            why = f"the cell is usually charged with {least_g:.4g} to {usual_g:.4g} g"
            limits = limits.within(Range(least_g / 3 - rest_g, usual_g * 3 - rest_g, why))
        if most_g:
            limits = limits.within(Range(None, most_g - rest_g, f"the basket takes {most_g:.4g} g"))
        yield mass_held(f"takes.{index}.mass", take.mass_ug, limits)


def _usual_charge_g(cell: int) -> tuple[Decimal, Decimal] | None:
    """The least and the most that the cell's latest runs were charged with."""
    lots = Lot.objects.filter(cell_run__cell=cell).order_by("-id")[:10]
    masses = [
        entry.mass_ug
        for lot in lots.prefetch_related("material_entries")
        if (entry := lot.material_entries.order_by("id").first()) is not None and entry.mass_ug
    ]
    return (ug_to_g(min(masses)), ug_to_g(max(masses))) if masses else None
