"""An electrolyte that is there already, known by what was dissolved in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from cells.models import Cell, ElectrolyteBatch
from cells.services.electrolytes import register_electrolyte
from config.refusals import refuse
from lots.declaration.event import MASS, Asks, Event, Menu
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.measurements.outputs import Volume, keep_volume
from lots.models import Entry, Lot, Movement, Place
from lots.people.roles import OFFICE
from lots.services.opening import FIRST_DAY
from lots.services.usual_places import place_for
from lots.texts import DESCRIPTION_MAX
from lots.units import MASS_UG_MAX

# One part in so many, as a standard uncertainty: the marks of a jug, and what was weighed in.
# Common practice, no source.
_OF_A_JUG: Final = 50
_OF_A_RECIPE: Final = 100


@dataclass(frozen=True)
class Recipe:
    """Micrograms of metal made up to microlitres; what stands in no cell stands at `place`."""

    silver_ug: Annotated[
        int,
        Asks(
            "Silver in it",
            "The metal, as in 600 g. Of silver nitrate 63.5 % is silver.",
            at_most=MASS_UG_MAX,
        ),
    ]
    volume_ul: Annotated[int, Asks("Made up to", "As in 3 L.")]
    cell: Annotated[Cell | None, None, Asks(help="If it stands in one.")] = None
    place: Annotated[
        Place | None, None, Asks("Where it stands", "Left empty, with the other carboys.")
    ] = None
    copper_ug: Annotated[
        int | None, Asks("Copper in it", "If it is known, as in 20 g.", kind=MASS)
    ] = None
    use_number: Annotated[
        int, Asks("Which use it is in, or ready for", at_least=1, at_most=100_000)
    ] = 1
    description: Annotated[str, Asks(at_most=DESCRIPTION_MAX)] = ""


@recorded_once
def open_recipe(*, recipe: Recipe, act: Act) -> ElectrolyteBatch:
    """Puts an electrolyte on the books by what went into it, against the opening account.

    Its silver and copper are taken as sure to 1 %, its volume to 2 %. Raises InvalidError
    `not_positive`, `too_large`, `not_text`, `too_long`.
    """
    metals = {"Ag": recipe.silver_ug, "Cu": recipe.copper_ug or 0}
    for name, metal in (("silver", "Ag"), ("copper", "Cu")):
        mass_ug = metals[metal]
        if mass_ug > MASS_UG_MAX:
            raise refuse("too_large:open_recipe", field=name, value=mass_ug)
        if mass_ug < (metal == "Ag"):
            raise refuse("not_positive:open_recipe", field=name, value=mass_ug)
    if recipe.use_number < 1:
        raise refuse(
            "not_positive:prepare_electrolyte", field="use_number", value=recipe.use_number
        )
    place = recipe.cell.place if recipe.cell else recipe.place
    batch = register_electrolyte(
        place or place_for(Place.Area.ELECTROLYTE, act),
        recipe.cell,
        Lot.Content.DECLARED,
        act,
        use_number=recipe.use_number,
        description=recipe.description,
    )
    jug = Volume(recipe.volume_ul, recipe.volume_ul // _OF_A_JUG)
    reading = keep_volume(batch.lot, jug, act)
    basis = Entry.Basis.DECLARED
    lines = [
        line
        for metal, mass_ug in metals.items()
        if mass_ug
        for line in (
            Line(
                metal,
                mass_ug,
                lot=batch.lot,
                basis=basis,
                standard_uncertainty_ug=mass_ug // _OF_A_RECIPE,
            ),
            Line(metal, -mass_ug, account=accounts.OPENING, basis=basis),
        )
    ]
    volume = MaterialLine(batch.lot, volume_ul=reading.volume_ul, quantity_by=reading)
    draft = Draft(
        kind=Movement.Kind.OPENING,
        stage=Movement.Stage.CELL,
        lines=lines,
        materials=[volume],
        standings=[StandingLine(batch.lot, batch.lot.place, batch.lot.owner)],
    )
    post(draft, act)
    return batch


OPEN_RECIPE: Final = Event(
    open_recipe,
    at="openings/recipes",
    page_at="openings/recipe",
    name="open-recipe",
    about="Put an electrolyte already there on the books by what was dissolved in it.",
    title="An electrolyte by its recipe",
    lead="What was dissolved, and what it was made up to: 600 g of silver made up to 5 L. Taken as "
    "sure to 1 % of the metal and 2 % of the volume, until it is measured.",
    button="Put it on the books",
    done="The electrolyte is on the books. Label its cell or carboy.",
    section="cells",
    roles=OFFICE,
    cautions=("make_up",),
    flat=("recipe",),
    order=("silver", "volume", "cell", "place", "copper", "use_number"),
    begins=lambda _: _only_cell(),
    menu=Menu(
        "BENCH",
        "An electrolyte by its recipe",
        90,
        group=FIRST_DAY,
        hint="600 g of silver made up to 5 L",
    ),
)


def _only_cell() -> dict[str, Cell]:
    """The cell, where the works has one that holds no electrolyte yet."""
    cells = list(Cell.objects.filter(is_active=True)[:2])
    alone = len(cells) == 1 and not ElectrolyteBatch.objects.filter(cell=cells[0]).exists()
    return {"cell": cells[0]} if alone else {}
