"""The crystal comes out: rinsed, tested, dried, weighed; what dissolved joins the electrolyte."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import hypot
from typing import Annotated, Final

from django.db.models import Sum

from cells.electrochemistry.coulometry import silver_plated
from cells.models import CellRun, CoulombCount, Harvest, HarvestBalance, SlimesBag, SlimesEstimate
from cells.queries.likely import harvest_held
from cells.services.cell_warnings import look_again
from cells.services.run_steps import (
    ON_RUN,
    attach,
    check_step_moment,
    current_run,
    follow,
    refuse_if_later,
    require_state,
)
from cells.services.slimes_bag import require_charge_passed
from config.refusals import refuse
from lots.declaration.event import Asks, Event
from lots.elements import STAYS_IN_SLIMES
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, holdings
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import undo_for
from lots.measurements.assays import AssayReport
from lots.measurements.outputs import Content, Output, check_output, content_of, measure
from lots.measurements.surplus import COVERAGE_FACTOR, Surplus, book_uncertainty_ug, mark_surpluses
from lots.measurements.weighings import Weight
from lots.metals import Metal
from lots.models import Assay, Entry, Lot, Movement, Place, Weighing
from lots.services.lot_register import register_lot
from lots.texts import REASON_MAX, checked_text
from lots.units import UG_PER_G, round_to_ug

_STATE: Final = CellRun.State


@dataclass(frozen=True)
class Crystal:
    """The crystal as weighed dry, its content assayed or declared (parts per thousand).

    `chloride_clear`: the last rinse showed no cloud with a drop of acid. `dry`: a cold spoon over
    the warm crystal stayed dry. `waiver` says why the crystal is accepted without one of them.
    """

    weight: Weight
    place: Annotated[Place, None, Asks("Where it is put")]
    rinse_count: Annotated[
        int,
        Asks(
            "How many rinses",
            "About six until the test is clear: common practice, no source.",
            at_least=0,
            at_most=100,
        ),
    ]
    chloride_clear: Annotated[
        bool,
        Asks("A drop of hydrochloric acid in a sample of the last rinse showed no cloud"),
    ]
    dry: Annotated[bool, Asks("A cold spoon over the warm crystal stayed dry")]
    assay: AssayReport | None = None
    declared: Annotated[
        Mapping[str, Decimal] | None,
        Asks(
            "Or a fineness taken as given",
            "Parts per thousand (‰), such as silver 999 until the assay is back.",
        ),
    ] = None
    waiver: Annotated[str, Asks("Why it is accepted without a test", at_most=REASON_MAX)] = ""


@dataclass(frozen=True)
class _Pool:
    """What may have gone into the crystal, by metal: micrograms."""

    electrolyte: Mapping[str, int]
    dissolved: Mapping[str, int]
    spilt: Mapping[str, int]


@dataclass(frozen=True)
class _Flow:
    """One metal's way from the charge, by solution or out of a torn bag, to the crystal."""

    content: Content
    dissolved_ug: int
    from_solution_ug: int
    fallen_ug: int

    @property
    def excess_ug(self) -> int:
        return self.content.mass_ug - self.from_solution_ug - self.fallen_ug


@recorded_once
def harvest_run(*, run: CellRun, crystal: Crystal, act: Act) -> Harvest:
    """Harvests a stopped run in one movement.

    What is left in the charge has dissolved and joins the electrolyte; the crystal's measured metal
    comes out of the electrolyte, and what a torn bag let fall goes to the crystal, which is then
    quarantined until assayed. What the crystal measures above the book is drawn from the cell
    difference and marked. Raises ConflictError `run_not_stopped`, `run_never_ran`,
    `slimes_not_bagged`; InvalidError `test_not_passed`, `not_positive`, and what an output is
    refused for.
    """
    run = current_run(run)
    _check_run(run)
    check_step_moment(run, act)
    _check_tests(crystal)
    output = Output(
        form=Lot.Form.FINE_CRYSTAL,
        place=crystal.place,
        weight=crystal.weight,
        assay=crystal.assay,
        declared=crystal.declared,
        description=f"Crystal of run {run.code}",
    )
    check_output(output)
    lot = _crystal_lot(run, output, act)
    contents, material = measure(lot, output, act, purpose=Weighing.Purpose.HARVEST)
    assert isinstance(material.quantity_by, Weighing)
    flows = _flows(_pool(run, act), contents)
    charge_left = holdings([run.charge_lot], AsOf(act.moment))[run.charge_lot_id]
    movement = post(
        Draft(
            kind=Movement.Kind.HARVEST,
            stage=Movement.Stage.CELL,
            lines=[line for flow in flows for line in _lines(run, lot, flow)],
            materials=[material, MaterialLine(run.charge_lot, mass_ug=-charge_left.mass_ug)],
            standings=[StandingLine(lot, crystal.place, run.charge_lot.owner)],
        ),
        act,
    )
    mark_surpluses(movement, lot, accounts.CELL_DIFFERENCE, _surpluses(run, flows))
    attach(run, movement, lot)
    assert run.coulomb_count is not None
    expected_ug, expected_u_ug = silver_by_faraday_ug(run.coulomb_count)
    follow(run, state=_STATE.HARVESTED, harvested_at=act.moment)
    harvest = Harvest.objects.create(
        run=run,
        lot=lot,
        movement=movement,
        weighing=material.quantity_by,
        harvested_at=act.moment,
        rinse_count=crystal.rinse_count,
        chloride_clear=crystal.chloride_clear,
        dry=crystal.dry,
        tests_waived=crystal.waiver.strip(),
        expected_silver_ug=expected_ug,
        expected_silver_u_ug=expected_u_ug,
        torn=run.bag_torn,
    )
    _keep_balances(harvest, flows)
    look_again(run, act.moment)
    return harvest


HARVEST: Final = Event(
    harvest_run,
    on=ON_RUN,
    at="harvest",
    name="run-harvest",
    about="Harvest a stopped run: the dry crystal is weighed beside what Faraday's law expects.",
    title="Harvest the crystal",
    lead="Rinsed, tested, dried; weighed dry.",
    button="Harvest",
    done="Harvested. The silver weighed stands beside the silver expected on the run's page.",
    order=("gross", "tare", "balance", "place", "rinse_count", "chloride_clear", "dry", "declared"),
    cautions=("harvest", "rinse", "dry"),
    flat=("crystal",),
    fixed={"assay.side": Assay.Side.HOUSE, "assay.basis": Assay.Basis.FINENESS},
    likely=harvest_held,
)


def _crystal_lot(run: CellRun, output: Output, act: Act) -> Lot:
    """The crystal's lot: set aside until assayed when the bag was torn."""
    torn = run.bag_torn
    lot = register_lot(
        form=output.form,
        owner=run.charge_lot.owner,
        place=output.place,
        content=content_of(output),
        act=act,
        description=output.description,
        state=Lot.State.QUARANTINED if torn else Lot.State.AVAILABLE,
    )
    if torn:
        lot.state_reason = f"slimes bag torn in run {run.code}: assay before use"
        lot.save(update_fields=["state_reason"])
    return lot


@undo_for(Movement.Kind.HARVEST)
def undo_harvest(movement: Movement) -> None:
    """Reversing a harvest brings the run back to stopped, unless rinse or closing rest on it."""
    kinds = Movement.Kind
    run = refuse_if_later(movement, (kinds.RINSE, kinds.RUN_CLOSE))
    follow(run, state=_STATE.STOPPED, harvested_at=None)


def silver_by_faraday_ug(count: CoulombCount) -> tuple[int, int]:
    """Silver that the whole charge would plate, gaps bridged, with its standard uncertainty."""
    plated = silver_plated(
        float(count.ampere_hours + count.gaps_ah), float(count.total_uncertainty_ah), 1.0, 0.0
    )
    return round_to_ug(plated.mass_g * UG_PER_G), round_to_ug(plated.u_mass_g * UG_PER_G)


def _keep_balances(harvest: Harvest, flows: Sequence[_Flow]) -> None:
    HarvestBalance.objects.bulk_create(
        HarvestBalance(
            harvest=harvest,
            metal=flow.content.metal,
            dissolved_ug=flow.dissolved_ug,
            from_solution_ug=flow.from_solution_ug,
            fallen_ug=flow.fallen_ug,
            excess_ug=flow.excess_ug,
        )
        for flow in flows
        if flow.dissolved_ug or flow.content.mass_ug
    )


def _check_run(run: CellRun) -> None:
    if run.state == _STATE.CHARGED:
        require_charge_passed(run)
    require_state(
        run,
        _STATE.STOPPED,
        code="run_not_stopped",
        remedy="Stop the run first; a run is harvested once.",
    )
    require_charge_passed(run)
    bagged = SlimesBag.objects.filter(run=run).exclude(state=SlimesBag.State.WITHDRAWN)
    if not bagged.exists():
        raise refuse("slimes_not_bagged", field="run", value=run.code)


def _check_tests(crystal: Crystal) -> None:
    waiver = checked_text(crystal.waiver, field="waiver", limit=REASON_MAX)
    if crystal.rinse_count < 0:
        raise refuse("not_positive", field="rinse_count", value=crystal.rinse_count)
    for field, passed, what in (
        ("rinse_count", crystal.rinse_count > 0, "was not rinsed"),
        ("chloride_clear", crystal.chloride_clear, "did not pass the chloride test"),
        ("dry", crystal.dry, "did not pass the dryness test"),
    ):
        if not passed and not waiver:
            raise refuse("test_not_passed", field=field, value=getattr(crystal, field), what=what)


def _pool(run: CellRun, act: Act) -> _Pool:
    held = holdings([run.charge_lot, run.electrolyte.lot], AsOf(act.moment))
    left = held[run.charge_lot_id].metals
    fallen = dict(
        SlimesEstimate.objects.filter(bag__run=run)
        .exclude(bag__state=SlimesBag.State.WITHDRAWN)
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("spilt_ug"))
    )
    spilt = {
        metal: mass_ug if metal in STAYS_IN_SLIMES else min(mass_ug, fallen.get(metal, 0))
        for metal, mass_ug in left.items()
    }
    return _Pool(
        electrolyte=held[run.electrolyte.lot_id].metals,
        dissolved={metal: mass_ug - spilt[metal] for metal, mass_ug in left.items()},
        spilt=spilt,
    )


def _flows(pool: _Pool, contents: Sequence[Content]) -> list[_Flow]:
    """How each metal goes from charge and electrolyte into electrolyte and crystal.

    The crystal takes what fell out of the bag first. Of a metal it was not measured for it takes
    all of that; of a measured one what is left joins the electrolyte if it dissolves, and stays
    with the charge for the closing to account for if it does not.
    """
    measured = {content.metal: content for content in contents}
    flows = []
    for metal in Metal.values:
        spilt, dissolved = pool.spilt.get(metal, 0), pool.dissolved.get(metal, 0)
        content = measured.get(metal) or Content(metal, spilt, Entry.Basis.DIFFERENCE)
        fallen = min(spilt, content.mass_ug)
        if metal not in STAYS_IN_SLIMES:
            dissolved += spilt - fallen
        in_solution = pool.electrolyte.get(metal, 0) + dissolved
        from_solution = min(in_solution, content.mass_ug - fallen)
        flows.append(_Flow(content, dissolved, from_solution, fallen))
    return flows


def _lines(run: CellRun, lot: Lot, flow: _Flow) -> list[Line]:
    content, by_difference = flow.content, Entry.Basis.DIFFERENCE
    return [
        Line(
            content.metal,
            -flow.dissolved_ug - flow.fallen_ug,
            lot=run.charge_lot,
            basis=by_difference,
        ),
        Line(
            content.metal,
            flow.dissolved_ug - flow.from_solution_ug,
            lot=run.electrolyte.lot,
            basis=by_difference,
        ),
        Line(
            content.metal,
            content.mass_ug,
            lot=lot,
            owner=run.charge_lot.owner,
            basis=content.basis,
            standard_uncertainty_ug=content.standard_uncertainty_ug,
            quantity_by=content.quantity_by,
            content_by=content.content_by,
        ),
        Line(content.metal, -flow.excess_ug, account=accounts.CELL_DIFFERENCE, basis=by_difference),
    ]


def _surpluses(run: CellRun, flows: Sequence[_Flow]) -> list[Surplus]:
    unsure = _book_uncertainty_ug(run)
    found = []
    for flow in flows:
        if flow.excess_ug:
            metal = flow.content.metal
            limit = COVERAGE_FACTOR * hypot(
                flow.content.standard_uncertainty_ug or 0, unsure.get(metal, 0.0)
            )
            found.append(Surplus(metal, flow.excess_ug, round(limit) or None))
    return found


def _book_uncertainty_ug(run: CellRun) -> dict[str, float]:
    charge = book_uncertainty_ug(run.charge_lot)
    bath = book_uncertainty_ug(run.electrolyte.lot)
    return {
        metal: hypot(charge.get(metal, 0.0), bath.get(metal, 0.0)) for metal in {*charge, *bath}
    }
