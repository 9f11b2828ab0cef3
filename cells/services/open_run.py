"""A cell that is running already when the ledger begins."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Annotated, Final

from cells.models import Cell, CellRun, ElectrolyteBatch
from cells.services.charge import Charge, charge_run
from cells.services.electrolytes import at_hand
from cells.services.open_recipe import Recipe, open_recipe
from cells.services.open_stock import CHARGED, Fineness, Stock, open_stock
from cells.services.readings import CURRENT, Instruments, record_reading
from cells.services.start_run import start_run
from config.refusals import refuse
from lots import clock
from lots.declaration.event import MASS, VOLUME, Asks, Event, Menu
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot
from lots.people.roles import OFFICE
from lots.services.opening import FIRST_DAY
from lots.services.taking import Take


@dataclass(frozen=True)
class Running:
    """What hangs in the cell, in micrograms, and its bath: one on the books, or its recipe."""

    cell: Cell
    form: Annotated[str, Asks("What went in", choices=CHARGED, initial=Lot.Form.GRANULES)]
    mass_ug: Annotated[int, Asks("How much went in", "With its unit, as in 1.2 kg.")]
    silver_ug: Annotated[
        int | None,
        Asks("Silver in its electrolyte", "By its recipe, as in 600 g.", kind=MASS),
    ] = None
    volume_ul: Annotated[int | None, Asks("Made up to", "As in 3 L.", kind=VOLUME)] = None
    electrolyte: Annotated[
        ElectrolyteBatch | None,
        None,
        Asks("Or an electrolyte on the books", "If it was there since then.", among=at_hand),
    ] = None
    current_a: Annotated[Decimal | None, replace(CURRENT, label="Current when it began, A")] = None
    current_now_a: Annotated[Decimal | None, replace(CURRENT, label="Current now, A")] = None
    fineness: Fineness = field(default_factory=dict)


@recorded_once
def open_run(*, running: Running, act: Act) -> CellRun:
    """Puts a running cell on the books as from when it was switched on, which is the act's moment.

    What went in and, by its recipe, the electrolyte are opened, the cell is charged and started,
    with the readings given. Raises InvalidError `recipe_needed`; ConflictError `electrolyte_later`;
    and what `open_stock`, `open_recipe`, `charge_run`, `start_run` and `record_reading` raise.
    """
    cell, inner = running.cell, replace(act, key="")
    batch = running.electrolyte or _by_recipe(running, inner)
    if batch.lot.registered_at > act.moment:
        raise refuse(
            "electrolyte_later",
            field="electrolyte",
            value=batch.lot.code,
            batch=batch,
            since=batch.lot.registered_at,
        )
    stock = Stock(running.form, running.mass_ug, running.fineness, cell.place)
    lot = open_stock(stock=stock, act=inner)
    run = charge_run(charge=Charge(cell, batch, [Take(lot)]), act=inner)
    first = None if running.current_a is None else Instruments(running.current_a)
    run = start_run(run=run, first=first, act=inner)
    if running.current_now_a is not None and act.moment < clock.now():
        now = replace(inner, occurred_at=clock.now())
        record_reading(run=run, instruments=Instruments(running.current_now_a), act=now)
    return run


def _by_recipe(running: Running, act: Act) -> ElectrolyteBatch:
    if running.silver_ug is None or running.volume_ul is None:
        missing = "silver" if running.silver_ug is None else "volume"
        raise refuse("recipe_needed", field=missing)
    recipe = Recipe(running.silver_ug, running.volume_ul, cell=running.cell)
    made: ElectrolyteBatch = open_recipe(recipe=recipe, act=act)
    return made


OPEN_RUN: Final = Event(
    open_run,
    at="openings/runs",
    page_at="openings/run",
    name="open-run",
    about="Put a cell that is running already on the books, as from when it was switched on.",
    title="A cell that is running already",
    lead="What went in, as far as it is known, and since when. Other readings that were written "
    "down go in afterwards, on the run’s own page.",
    button="Put it on the books",
    done="The run is on the books.",
    section="cells",
    roles=OFFICE,
    cautions=("run",),
    flat=("running",),
    order=(
        *("cell", "form", "mass", "silver", "volume", "electrolyte", "current_a"),
        *("current_now_a", "fineness"),
    ),
    when="Running since",
    lands="run code",
    menu=Menu(
        "BENCH",
        "A cell that is running already",
        92,
        group=FIRST_DAY,
        hint="Since when, what went in, what it draws",
    ),
)
