"""A run's account: what was charged, what passed, what was weighed, and what is unaccounted for.

Sign of the difference: book less what was found (weighed, measured or computed from charge), so an
apparent loss is positive, as on every report. For every metal, charged + electrolyte in + added +
corrections, less remnant + slimes + crystal + rinse + bled + electrolyte out, is the difference to
the microgram.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final

from django.db.models import F, Q, Sum

from cells.electrochemistry.current_efficiency import CurrentEfficiency, current_efficiency
from cells.models import CellRun, Harvest, RunMovement
from cells.queries.standing_movements import standing
from lots.ledger import accounts
from lots.ledger.holdings import NOW, AsOf
from lots.models import Movement
from lots.units import UG_PER_G

SILVER: Final = "Ag"
PERCENT_STEP: Final = Decimal("0.0001")
_KIND: Final = Movement.Kind

Metals = dict[str, int]


@dataclass(frozen=True)
class ElectrolyteSide:
    """The electrolyte by the book at one moment: micrograms by metal, volume in microlitres."""

    metals: Metals = field(default_factory=dict)
    volume_ul: int = 0


@dataclass(frozen=True)
class Charge:
    """What the run's ammeter counted: ampere-hours outside gaps and across them."""

    ampere_hours: Decimal
    u_ampere_hours: Decimal
    gap_count: int
    gap_h: Decimal
    gaps_ah: Decimal
    u_with_gaps_ah: Decimal


@dataclass(frozen=True)
class Crystal:
    """The harvest: mass, metals, and silver weighed beside silver by Faraday's law."""

    lot_code: str
    mass_ug: int
    metals: Metals
    silver_weighed_ug: int
    silver_weighed_u_ug: int
    silver_expected_ug: int
    silver_expected_u_ug: int
    rinse_count: int
    torn: bool


@dataclass(frozen=True)
class RunSummary:
    """One run's account. Masses are micrograms by metal; `difference` is book less found.

    `corrections` is what movements outside the run changed in its charge and electrolyte while it
    lasted, such as a late assay of a lot that was charged.
    `difference_percent` is the silver difference as a percentage of the silver charged; None while
    no silver was charged. `efficiency` is None before the harvest.
    """

    run: CellRun
    charged: Metals
    remnant: Metals
    slimes: Metals
    rinse: Metals
    added: Metals
    bled: Metals
    corrections: Metals
    crystal: Crystal | None
    charge: Charge | None
    efficiency: CurrentEfficiency | None
    electrolyte_in: ElectrolyteSide
    electrolyte_out: ElectrolyteSide
    difference: Metals
    difference_percent: Decimal | None


def run_summary(run: CellRun, as_of: AsOf = NOW) -> RunSummary:
    """One run's account."""
    return run_summaries([run], as_of)[0]


def run_summaries(runs: Sequence[CellRun], as_of: AsOf = NOW) -> list[RunSummary]:
    """Each run's account, in the order asked for; the number of queries does not depend on it."""
    ids = [run.pk for run in runs]
    by_id = (
        CellRun.objects.select_related(
            "cell", "electrolyte__lot", "charge_lot", "coulomb_count", "closing_movement"
        )
    ).in_bulk(ids)
    flows = _flows(ids, as_of)
    harvests = {
        each.run_id: each
        for each in Harvest.objects.filter(standing("movement", as_of), run__in=ids)
        .select_related("lot", "weighing")
        .order_by("id")
    }
    corrections = _corrections(ids, as_of)
    at_start = _electrolytes(ids, "charged_at", as_of)
    at_end = _electrolytes(ids, "closed_at", as_of)
    return [
        _summary(
            _Rows(
                by_id[pk],
                flows.get(pk, []),
                harvests.get(pk),
                corrections.get(pk, {}),
                at_start[pk],
                at_end[pk],
            )
        )
        for pk in ids
    ]


@dataclass(frozen=True)
class _Flow:
    """Entries of one movement kind of a run summed: of the lot it made, its own lots, accounts."""

    kind: str
    metal: str
    lot_id: int | None
    made_lot_id: int | None
    account: str | None
    mass_ug: int
    u_squares: float


@dataclass(frozen=True)
class _Rows:
    """What was read of one run."""

    run: CellRun
    flows: Sequence[_Flow]
    harvest: Harvest | None
    corrections: Metals
    at_start: ElectrolyteSide
    at_end: ElectrolyteSide


def _corrections(ids: Sequence[int], as_of: AsOf) -> dict[int, Metals]:
    """Entries of movements outside the run: on its charge, and on its electrolyte meanwhile."""
    runs = CellRun.objects.filter(pk__in=ids).order_by()
    found: dict[int, Metals] = {}
    for lot, window in (
        ("charge_lot", Q()),
        (
            "electrolyte__lot",
            Q(electrolyte__lot__entries__occurred_at__gt=F("charged_at"))
            & _until("electrolyte__lot__entries", "closed_at", as_of),
        ),
    ):
        movement = f"{lot}__entries__movement"
        rows = (
            runs.filter(
                standing(movement, as_of),
                window,
                **{f"{movement}__run_movement__isnull": True, f"{movement}__isnull": False},
            )
            .values_list("pk", f"{lot}__entries__metal")
            .annotate(total=Sum(f"{lot}__entries__mass_ug"))
        )
        for pk, metal, total in rows:
            metals = found.setdefault(pk, {})
            metals[metal] = metals.get(metal, 0) + total
    return found


def _flows(ids: Sequence[int], as_of: AsOf) -> dict[int, list[_Flow]]:
    rows = (
        RunMovement.objects.filter(
            standing("movement", as_of), run__in=ids, movement__entries__isnull=False
        )
        .order_by()
        .values_list(
            "run_id",
            "movement__kind",
            "movement__entries__metal",
            "movement__entries__lot_id",
            "lot_id",
            "movement__entries__account__code",
        )
        .annotate(
            total=Sum("movement__entries__mass_ug"),
            squares=Sum(
                F("movement__entries__standard_uncertainty_ug")
                * 1.0
                * F("movement__entries__standard_uncertainty_ug")
            ),
        )
    )
    found: dict[int, list[_Flow]] = {}
    for run_id, kind, metal, lot_id, made_id, account, total, squares in rows:
        found.setdefault(run_id, []).append(
            _Flow(kind, metal, lot_id, made_id, account, total, squares or 0.0)
        )
    return found


def _electrolytes(ids: Sequence[int], moment: str, as_of: AsOf) -> dict[int, ElectrolyteSide]:
    """Each run's electrolyte by the book at the run's own `moment`, or now when that is not yet."""
    sides = {pk: ElectrolyteSide() for pk in ids}
    runs = CellRun.objects.filter(pk__in=ids).order_by()
    metals = (
        runs.filter(_until("electrolyte__lot__entries", moment, as_of))
        .values_list("pk", "electrolyte__lot__entries__metal")
        .annotate(total=Sum("electrolyte__lot__entries__mass_ug"))
    )
    for pk, metal, total in metals:
        if total:
            sides[pk].metals[metal] = total
    volumes = (
        runs.filter(_until("electrolyte__lot__material_entries", moment, as_of))
        .values_list("pk")
        .annotate(total=Sum("electrolyte__lot__material_entries__volume_ul"))
    )
    for pk, total in volumes:
        sides[pk] = ElectrolyteSide(sides[pk].metals, total or 0)
    return sides


def _until(entries: str, moment: str, as_of: AsOf) -> Q:
    limit = Q(**{f"{entries}__isnull": False}) & (
        Q(**{f"{moment}__isnull": True}) | Q(**{f"{entries}__occurred_at__lte": F(moment)})
    )
    if as_of.occurred is not None:
        limit &= Q(**{f"{entries}__occurred_at__lte": as_of.occurred})
    if as_of.recorded is not None:
        limit &= Q(**{f"{entries}__recorded_at__lte": as_of.recorded})
    return limit


def _summary(rows: _Rows) -> RunSummary:
    run, flows = rows.run, rows.flows
    charged = _sum(each for each in flows if each.kind == _KIND.CHARGE and _is_made(each))
    difference = _sum(each for each in flows if each.account == accounts.CELL_DIFFERENCE)
    crystal = _crystal(flows, rows.harvest) if rows.harvest is not None else None
    charge = _charge(run)
    return RunSummary(
        run=run,
        charged=charged,
        remnant=_made(flows, _KIND.REMNANT),
        slimes=_made(flows, _KIND.SLIMES),
        rinse=_made(flows, _KIND.RINSE),
        added=_sum(
            each
            for each in flows
            if each.kind == _KIND.TOP_UP and each.lot_id == run.electrolyte.lot_id
        ),
        bled=_made(flows, _KIND.BLEED),
        corrections={metal: ug for metal, ug in rows.corrections.items() if ug},
        crystal=crystal,
        charge=charge,
        efficiency=_efficiency(crystal, charge),
        electrolyte_in=rows.at_start,
        electrolyte_out=rows.at_end,
        difference=difference,
        difference_percent=_percent(difference.get(SILVER, 0), charged.get(SILVER, 0)),
    )


def _is_made(flow: _Flow) -> bool:
    return flow.lot_id is not None and flow.lot_id == flow.made_lot_id


def _made(flows: Sequence[_Flow], kind: str) -> Metals:
    return _sum(each for each in flows if each.kind == kind and _is_made(each))


def _sum(flows: Iterable[_Flow]) -> Metals:
    total: Metals = {}
    for each in flows:
        total[each.metal] = total.get(each.metal, 0) + each.mass_ug
    return {metal: mass_ug for metal, mass_ug in total.items() if mass_ug}


def _crystal(flows: Sequence[_Flow], harvest: Harvest) -> Crystal:
    metals = _made(flows, _KIND.HARVEST)
    squares = sum(
        each.u_squares
        for each in flows
        if each.kind == _KIND.HARVEST and _is_made(each) and each.metal == SILVER
    )
    return Crystal(
        lot_code=harvest.lot.code,
        mass_ug=harvest.weighing.net_ug,
        metals=metals,
        silver_weighed_ug=metals.get(SILVER, 0),
        silver_weighed_u_ug=round(squares**0.5),
        silver_expected_ug=harvest.expected_silver_ug,
        silver_expected_u_ug=harvest.expected_silver_u_ug,
        rinse_count=harvest.rinse_count,
        torn=harvest.torn,
    )


def _charge(run: CellRun) -> Charge | None:
    count = run.coulomb_count
    if count is None:
        return None
    return Charge(
        ampere_hours=count.ampere_hours,
        u_ampere_hours=count.standard_uncertainty_ah,
        gap_count=count.gap_count,
        gap_h=count.gap_h,
        gaps_ah=count.gaps_ah,
        u_with_gaps_ah=count.total_uncertainty_ah,
    )


def _efficiency(crystal: Crystal | None, charge: Charge | None) -> CurrentEfficiency | None:
    if crystal is None or charge is None or charge.ampere_hours + charge.gaps_ah <= 0:
        return None
    return current_efficiency(
        crystal.silver_weighed_ug / UG_PER_G,
        crystal.silver_weighed_u_ug / UG_PER_G,
        float(charge.ampere_hours + charge.gaps_ah),
        float(charge.u_with_gaps_ah),
    )


def _percent(difference_ug: int, charged_ug: int) -> Decimal | None:
    if not charged_ug:
        return None
    exact = Decimal(100) * difference_ug / charged_ug
    return exact.quantize(PERCENT_STEP, ROUND_HALF_EVEN)
