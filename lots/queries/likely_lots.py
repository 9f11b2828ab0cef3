"""What is known of a lot, for its figures to be held against."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.recording import Act
from lots.likelihood import rules
from lots.likelihood.figures import Held, HeldMoment, Range
from lots.models import Assay, Lot, MaterialEntry, ProcessBatch, Weighing
from lots.queries.likely import (
    UL_PER_ML,
    mass_held,
    moment_held,
    volume_held,
    weight_held,
)
from lots.units import ug_to_g

if TYPE_CHECKING:
    from lots.measurements.assays import AssayReport, Finding
    from lots.measurements.weighings import Weight

HeldFigures = Iterator[Held | HeldMoment]
RECEIPTS_LOOKED_AT: Final = 200
# Metal in its own shape, told from sweeps, slimes and solutions.
_METALLIC: Final = frozenset(
    {
        Lot.Form.GRANULES,
        Lot.Form.BAR,
        Lot.Form.CEMENT_SILVER,
        Lot.Form.ANODE_REMNANT,
    }
)
_LIQUID_SHARE: Final = Decimal("0.1")


def received_held(*, receipt: Any, act: Act) -> HeldFigures:
    balance = receipt.weight.balance
    weighed = Weighing.objects.filter(purpose=Weighing.Purpose.RECEIPT).order_by("-id")
    usual = [ug_to_g(ug) for ug in weighed.values_list("net_ug", flat=True)[:RECEIPTS_LOOKED_AT]]
    capacity_g = None if balance.capacity_ug is None else ug_to_g(balance.capacity_ug)
    limits = rules.received_mass_g(usual, capacity_g, ug_to_g(balance.standard_uncertainty_ug))
    if limits is not None:
        yield from weight_held(receipt.weight, limits)
    yield from _fineness_held("declared", receipt.declared, receipt.form)
    latest = weighed.values_list("taken_at", flat=True).first()
    if latest is not None:
        low = latest - dt.timedelta(days=7)
        yield from moment_held(act.moment, low, "a lot was received a week later than that")


def weighed_held(*, lot: Lot, act: Act, weight: Weight | None = None, **_: Any) -> HeldFigures:
    """A lot on the balance again, at the bench or at the door."""
    if weight is not None:
        yield from _again_held(lot, weight, act, "weight")
    yield from _not_before_it_was(lot, act)


def assayed_held(*, lot: Lot, report: AssayReport, act: Act) -> HeldFigures:
    yield from report_held("assay.results", report, lot, act)
    yield from _not_before_it_was(lot, act)


def report_held(field: str, report: AssayReport, lot: Lot, act: Act) -> HeldFigures:
    """A laboratory's results beside what the book has of the lot."""
    held = holding(lot, AsOf(act.moment))
    found = {metal: finding.value for metal, finding in report.findings.items()}
    if report.basis == Assay.Basis.FINENESS:
        unit, book = "‰", _per(held.metals, held.mass_ug, 1000)
        ranges = rules.fineness_ranges(
            found, is_metal=lot.form in _METALLIC, is_fine=lot.form == Lot.Form.FINE_CRYSTAL
        )
    else:
        unit, book, ranges = "g/L", _per(held.metals, held.volume_ul, 1), {}
    beside = rules.found_ranges(book, found)
    for metal, finding in report.findings.items():
        limits = [each[metal] for each in (ranges, beside) if metal in each]
        if limits:
            whole = limits[0] if len(limits) == 1 else limits[0].within(limits[1])
            yield Held(f"{field}.{metal}", finding.value, unit, whole)
        yield _spread_held(f"{field}.{metal}.standard_uncertainty", finding, unit)


def _spread_held(path: str, finding: Finding, unit: str) -> Held:
    """An uncertainty is below what it is of, or it says nothing."""
    most = max(finding.value / 3, Decimal(1))
    return Held(
        path, finding.standard_uncertainty, unit, Range(Decimal(0), most, "the result is no larger")
    )


def melted_held(*, lot: Lot, melted: Any, act: Act) -> HeldFigures:
    fed_g = ug_to_g(holding(lot, AsOf(act.moment)).mass_ug)
    if melted.weight is not None and fed_g:
        yield from weight_held(melted.weight, rules.melted_mass_g(fed_g))
    for metal, mass_ug in melted.lost_ug.items():
        most = Range(Decimal(0), fed_g * rules.LOSS_SHARE_MAX, f"{fed_g:.4g} g went into the melt")
        yield mass_held(f"lost.{metal}", mass_ug, most)


def sampled_held(
    *, lot: Lot, act: Act, mass_ug: int | None = None, volume_ul: int | None = None, **_: Any
) -> HeldFigures:
    held = holding(lot, AsOf(act.moment))
    if mass_ug and held.mass_ug:
        yield mass_held("mass", mass_ug, rules.sample_g(ug_to_g(held.mass_ug)))
    if volume_ul and held.volume_ul:
        whole_ml = Decimal(held.volume_ul) / UL_PER_ML
        most = Range(Decimal(1), whole_ml / 5, f"the lot is {whole_ml / 1000:.3g} l")
        yield volume_held("volume", volume_ul, most)


def split_held(*, lot: Lot, parts: Iterable[Any], act: Act, **_: Any) -> HeldFigures:
    yield from _parts_held("parts", [(each, lot) for each in parts], act)


def taken_held(*, takes: Iterable[Any], act: Act, **_: Any) -> HeldFigures:
    yield from _parts_held("takes", [(each, each.lot) for each in takes], act)


def batch_fed_held(*, inputs: Any, act: Act, **_: Any) -> HeldFigures:
    """What goes into a batch: portions of lots, and supplies in proportion."""
    yield from _parts_held("takes", [(each, each.lot) for each in inputs.takes], act)
    fed_g = sum((_fed_g(each, act) for each in inputs.takes), Decimal(0))
    if fed_g:
        for metal, mass_ug in inputs.supplies_ug.items():
            yield mass_held(f"supplies.{metal}", mass_ug, rules.supplies_g(fed_g))


def output_held(*, batch: ProcessBatch, output: Any, act: Act) -> HeldFigures:
    """What comes out of a batch, beside all that went in."""
    into = MaterialEntry.objects.filter(lot=batch.vessel_id, mass_ug__gt=0)
    fed_g = sum((ug_to_g(ug) for ug in into.values_list("mass_ug", flat=True)), Decimal(0))
    if output.weight is not None and fed_g:
        yield from weight_held(output.weight, rules.out_of_batch_g(fed_g))
    yield from _fineness_held("declared", output.declared or {}, output.form)
    held = holding(Lot(pk=batch.vessel_id), AsOf(act.moment))
    for metal, mass_ug in (output.estimated or {}).items():
        whole_g = ug_to_g(held.metals.get(metal, 0))
        if whole_g:
            most = Range(whole_g / 10**6, whole_g * 2, f"the vessel holds {whole_g:.4g} g of it")
            yield mass_held(f"estimated.{metal}", mass_ug, most)
    if output.assay is not None and output.assay.basis == Assay.Basis.FINENESS:
        found = {metal: finding.value for metal, finding in output.assay.findings.items()}
        ranges = rules.fineness_ranges(found, is_metal=output.form in _METALLIC)
        for metal, limits in ranges.items():
            yield Held(f"assay.results.{metal}", found[metal], "‰", limits)
        for metal, finding in output.assay.findings.items():
            yield _spread_held(f"assay.results.{metal}.standard_uncertainty", finding, "‰")


def counted_held(*, lot: Lot, found: Any, act: Act, **_: Any) -> HeldFigures:
    """A lot found at a count, beside the book."""
    if found.weight is not None:
        yield from _again_held(lot, found.weight, act, "weight", Decimal("0.03"))
    if found.volume is not None:
        held_ml = Decimal(holding(lot, AsOf(act.moment)).volume_ul) / UL_PER_ML
        if held_ml:
            slack = held_ml * _LIQUID_SHARE + 50
            limits = Range(held_ml - slack, held_ml + slack, f"the book has {held_ml / 1000:.4g} l")
            yield volume_held("volume.volume", found.volume.volume_ul, limits)


def opened_lot_held(*, opening: Any, act: Act) -> HeldFigures:
    """A lot of the first day: its metals are no more than its mass, and no dust of it."""
    if opening.mass_ug:
        whole_g = ug_to_g(opening.mass_ug)
        for metal, amount in opening.metals.items():
            least = whole_g / 10**6
            limits = Range(least, whole_g, f"the lot is {whole_g:.4g} g")
            yield mass_held(f"metals.{metal}.mass", amount.mass_ug, limits)


def _again_held(
    lot: Lot, weight: Weight, act: Act, field: str, share: Decimal = Decimal("0.01")
) -> Iterator[Held]:
    last_g = ug_to_g(holding(lot, AsOf(act.moment)).mass_ug)
    if last_g:
        u_g = ug_to_g(weight.balance.standard_uncertainty_ug)
        yield from weight_held(weight, rules.same_mass_g(last_g, share, u_g), field)


def _not_before_it_was(lot: Lot, act: Act) -> Iterator[HeldMoment]:
    first = lot.standings.order_by("id").values_list("movement__occurred_at", flat=True).first()
    yield from moment_held(act.moment, first, "the lot came on the books then")


def _fineness_held(field: str, declared: Mapping[str, Decimal], form: str) -> Iterator[Held]:
    ranges = rules.fineness_ranges(
        declared, is_metal=form in _METALLIC, is_fine=form == Lot.Form.FINE_CRYSTAL
    )
    for metal, limits in ranges.items():
        yield Held(f"{field}.{metal}", declared[metal], "‰", limits)


def _parts_held(field: str, parts: Iterable[tuple[Any, Lot]], act: Act) -> Iterator[Held]:
    for index, (part, lot) in enumerate(parts):
        held = holding(lot, AsOf(act.moment)) if part.mass_ug or part.volume_ul else Holding()
        if part.mass_ug and held.mass_ug:
            yield mass_held(
                f"{field}.{index}.mass", part.mass_ug, rules.part_g(ug_to_g(held.mass_ug))
            )
        if part.volume_ul and held.volume_ul:
            whole_ml = Decimal(held.volume_ul) / UL_PER_ML
            limits = Range(whole_ml / 1000, whole_ml, f"the lot is {whole_ml / 1000:.4g} l")
            yield volume_held(f"{field}.{index}.volume", part.volume_ul, limits)


def _fed_g(part: Any, act: Act) -> Decimal:
    if part.mass_ug:
        return ug_to_g(part.mass_ug)
    return ug_to_g(holding(part.lot, AsOf(act.moment)).mass_ug)


def _per(metals: Mapping[str, int], whole: int, times: int) -> dict[str, Decimal]:
    return {metal: Decimal(ug) * times / whole for metal, ug in metals.items()} if whole else {}
