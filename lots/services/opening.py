"""A works begins to use the ledger mid-operation: what there was, and was owed, on that day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Final

from config.refusals import InvalidError, refuse
from lots.declaration.common import Description, parties
from lots.declaration.event import Asks, Event, Menu
from lots.ledger import accounts
from lots.ledger.drafts import ClaimLine, Draft, Line, MaterialLine, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.metals import Metal
from lots.models import Entry, Lot, Movement, Party, Place
from lots.people.roles import OFFICE
from lots.queries.likely_lots import opened_lot_held
from lots.services.lot_register import LABEL_MAX, register_lot
from lots.units import MASS_UG_MAX, VOLUME_UL_MAX, ug_to_g

# What stands inside a running process can't be taken over by itself: its lots are opened and the
# process is started on the ledger.
_NOT_OPENED: Final = {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE}


FIRST_DAY: Final = "The day the ledger begins"
# What is put on the books with more than a lot has a page of its own.
_OPENED_ELSEWHERE: Final = {
    Lot.Form.IN_PROCESS,
    Lot.Form.ANODE_CHARGE,
    Lot.Form.ELECTROLYTE,
    Lot.Form.SLIMES_BAG,
}
_OPENED_HERE: Final = [
    (value, label) for value, label in Lot.Form.choices if value not in _OPENED_ELSEWHERE
]
ON_THE_FIRST_DAY: Final = (
    "As it was found on the day the ledger begins: give that day under “When it happened”."
)


@dataclass(frozen=True)
class Amount:
    """Micrograms of one metal, with their standard uncertainty where it is known."""

    mass_ug: int
    standard_uncertainty_ug: int | None = None


@dataclass(frozen=True)
class Opening:
    """A lot as it was found: its metals as masses, its own mass or volume, and what it rests on.

    `code` is the label it bears already, if that is one of this ledger's codes.
    """

    form: Annotated[str, Asks("What it is", choices=Lot.Form, offered=_OPENED_HERE)]
    owner: Annotated[Party, None, Asks("Whose it is", among=parties("house", "customer"))]
    place: Annotated[Place, None, Asks("Where it stands")]
    metals: Annotated[
        Mapping[str, Amount],
        Asks(
            "Metal in it",
            "The mass of each metal with its unit, and its standard uncertainty if known.",
        ),
    ] = field(default_factory=dict)
    mass_ug: Annotated[
        int, Asks("Mass", "Of what is dry, with its unit.", positive=False, otherwise=0)
    ] = 0
    volume_ul: Annotated[int, Asks("Volume", "Of a solution, as in 11.5 l.", otherwise=0)] = 0
    content: Annotated[str, Asks("What the content rests on", choices=Lot.Content)] = (
        Lot.Content.BY_DIFFERENCE
    )
    description: Description = ""
    code: Annotated[
        str,
        Asks(
            "Label it already bears",
            "Only for a lot labelled by this works before.",
            at_most=LABEL_MAX,
        ),
    ] = ""
    received_from: Annotated[Party | None, Asks("Who it came from")] = None


@recorded_once
def open_lot(*, opening: Opening, act: Act) -> Lot:
    """Puts a lot on the books as of a date, against the opening account.

    Raises InvalidError `form_not_opened`, `unknown_choice`, `quantity_needed`, `not_positive`,
    `too_large`, `unknown_metal`, `metals_above_mass`; what `register_lot` raises of a code.
    """
    _check(opening)
    lot = register_lot(
        form=opening.form,
        owner=opening.owner,
        place=opening.place,
        content=opening.content,
        act=act,
        description=opening.description,
        received_from=opening.received_from,
        code=opening.code,
    )
    lines = []
    for metal, amount in opening.metals.items():
        basis = _BASIS[opening.content]
        lines += [
            Line(
                metal,
                amount.mass_ug,
                lot=lot,
                owner=opening.owner,
                basis=basis,
                standard_uncertainty_ug=amount.standard_uncertainty_ug,
            ),
            Line(
                metal, -amount.mass_ug, account=accounts.OPENING, owner=opening.owner, basis=basis
            ),
        ]
    post(
        Draft(
            kind=Movement.Kind.OPENING,
            stage=Movement.Stage.STORE,
            lines=lines,
            materials=[MaterialLine(lot, mass_ug=opening.mass_ug, volume_ul=opening.volume_ul)],
            standings=[StandingLine(lot, opening.place, opening.owner)],
        ),
        act,
    )
    return lot


OPEN_LOT: Final = Event(
    open_lot,
    at="openings/lots",
    name="open-lot",
    about="Put a lot on the books as it was found when the ledger began.",
    title="A lot that was there",
    lead=ON_THE_FIRST_DAY,
    button="Put it on the books",
    done="It is on the books. Print its label.",
    roles=OFFICE,
    flat=("opening",),
    order=("form", "owner", "place", "mass", "volume", "metals", "content"),
    page_at="openings/lot",
    menu=Menu("BENCH", "A lot that was there", 90, group=FIRST_DAY, hint="With what it holds"),
    likely=opened_lot_held,
)


@recorded_once
def open_claim(
    *,
    owner: Annotated[Party, None, Asks("Whose claim it is", among=parties("customer"))],
    metals: Annotated[
        Mapping[str, int],
        Asks("What they had in the pool", "The mass of each metal, with its unit."),
    ],
    act: Act,
) -> Movement:
    """What a customer had in the works' pool on the opening day (micrograms by metal).

    No metal moves: the house's own position goes down by as much. Raises InvalidError
    `house_has_no_claim`, `nothing_taken`, `unknown_metal`, `not_positive`, `too_large`.
    """
    check_claim(owner, metals)
    return post(
        Draft(
            kind=Movement.Kind.OPENING,
            stage=Movement.Stage.STORE,
            claims=[ClaimLine(owner, metal, mass_ug) for metal, mass_ug in metals.items()],
            counterparty=owner,
        ),
        act,
    )


OPEN_CLAIM: Final = Event(
    open_claim,
    at="openings/claims",
    name="open-claim",
    about="Put on the books what a customer had in the works' pool when the ledger began.",
    title="A claim that was owed",
    lead=f"{ON_THE_FIRST_DAY} No metal moves: the house's own position goes down by as much.",
    button="Put it on the books",
    done="The claim is on the books.",
    roles=OFFICE,
    page_at="openings/claim",
    menu=Menu(
        "BENCH",
        "A claim that was owed",
        93,
        group=FIRST_DAY,
        hint="What a customer had in the pool",
    ),
)


def check_claim(owner: Party, metals: Mapping[str, int]) -> None:
    """Refuses what can't be a claim: see `open_claim`."""
    if owner.is_house:
        raise refuse("house_has_no_claim", field="owner", value=owner.code)
    if not metals:
        raise refuse("nothing_taken:opening", field="metals")
    for metal, mass_ug in metals.items():
        _check_amount(metal, mass_ug)


_BASIS: Final[dict[str, str]] = {
    Lot.Content.ASSAYED: Entry.Basis.MEASURED,
    Lot.Content.DECLARED: Entry.Basis.DECLARED,
    Lot.Content.BY_DIFFERENCE: Entry.Basis.DIFFERENCE,
    Lot.Content.BY_PROPORTION: Entry.Basis.PROPORTION,
}


def _check(opening: Opening) -> None:
    if opening.form not in Lot.Form.values or opening.form in _NOT_OPENED:
        raise refuse("form_not_opened:opening", field="form", value=opening.form)
    if opening.content not in _BASIS:
        raise refuse(
            "unknown_choice:opening",
            field="content",
            value=opening.content,
            basis=", ".join(_BASIS),
        )
    _check_quantity(opening)
    for metal, amount in opening.metals.items():
        _check_amount(metal, amount.mass_ug)
        if (amount.standard_uncertainty_ug or 0) < 0:
            raise refuse(
                "not_positive:opening",
                field=f"metals.{metal}.standard_uncertainty",
                value=amount.standard_uncertainty_ug,
            )
    total_ug = sum(amount.mass_ug for amount in opening.metals.values())
    if opening.mass_ug and total_ug > opening.mass_ug:
        raise refuse(
            "metals_above_mass",
            field="metals",
            value=f"{ug_to_g(total_ug)} g",
            total_ug=ug_to_g(total_ug),
        )


def _check_quantity(opening: Opening) -> None:
    for name, amount, most in (
        ("mass", opening.mass_ug, MASS_UG_MAX),
        ("volume", opening.volume_ul, VOLUME_UL_MAX),
    ):
        if amount < 0 or amount > most:
            raise InvalidError(
                "A quantity is not below zero, nor above what the ledger takes.",
                code="not_positive" if amount < 0 else "too_large",
                field=name,
                value=amount,
                remedy="Check the number and its unit.",
            )
    wanted = "volume" if Lot(form=opening.form).is_liquid else "mass"
    if not (opening.volume_ul if wanted == "volume" else opening.mass_ug):
        raise refuse("quantity_needed:opening", field=wanted, wanted=wanted)


def _check_amount(metal: str, mass_ug: int) -> None:
    if metal not in Metal.values:
        raise refuse(
            "unknown_metal:fields",
            field=f"metals.{metal}",
            value=metal,
            metal=", ".join(Metal.values),
        )
    if not 0 < mass_ug <= MASS_UG_MAX:
        raise InvalidError(
            "A metal's mass is above zero and at most ten tonnes.",
            code="not_positive" if mass_ug <= 0 else "too_large",
            field=f"metals.{metal}",
            value=mass_ug,
            remedy="Leave out a metal there is none of; check the unit.",
        )
