"""What is on the shelves when the ledger begins, by its word and its weight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Annotated, Final

from cells.models import CHARGED_FORMS
from cells.services.open_bag import WaitingBag, open_bag
from lots.declaration.common import Description
from lots.declaration.event import Asks, Event, Menu
from lots.fineness import check_contents, content_ug
from lots.ledger.posting import house
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Place
from lots.people.roles import OFFICE
from lots.services.opening import FIRST_DAY, Amount, Opening, open_lot
from lots.services.usual_places import place_for

_FORM, _AREA = Lot.Form, Place.Area
# What a word says of itself, in parts per thousand of silver with a standard uncertainty, and where
# it usually stands. Supposed: common practice, no source. What has none is not guessed at.
_WORDS: Final[dict[str, tuple[str, str, tuple[str, str] | None]]] = {
    _FORM.GRANULES: ("Granules", _AREA.FEED_STORE, ("900", "50")),
    _FORM.FINE_CRYSTAL: ("Silver crystal", _AREA.FINE_STORE, ("999", "0.5")),
    _FORM.CEMENT_SILVER: ("Cement silver", _AREA.FEED_STORE, ("950", "30")),
    _FORM.SLIMES_BAG: ("An old slimes bag", _AREA.SLIMES_STORE, None),
    _FORM.BAR: ("A bar", _AREA.FINE_STORE, ("999", "0.5")),
    _FORM.ANODE_REMNANT: ("Anode remnant", _AREA.FEED_STORE, ("850", "70")),
    _FORM.FEED: ("Scrap, sweeps or other feed", _AREA.FEED_STORE, None),
}
CHARGED: Final = [(form, name) for form, (name, _, _) in _WORDS.items() if form in CHARGED_FORMS]
_SUPPOSED: Final = "; ".join(
    f"{name.lower()} {guess[0]} ± {guess[1]}" for name, _, guess in _WORDS.values() if guess
)
Fineness = Annotated[
    Mapping[str, Decimal],
    Asks(
        "Content, as far as it is known",
        f"Parts per thousand (‰). Left empty, silver is supposed by the word: {_SUPPOSED}.",
    ),
]


@dataclass(frozen=True)
class Stock:
    """Micrograms of something of the house; `fineness` in parts per thousand by metal."""

    form: Annotated[
        str,
        Asks("What it is", choices=[(form, name) for form, (name, _, _) in _WORDS.items()]),
    ]
    mass_ug: Annotated[int, Asks("How much it weighs", "With its unit, as in 1.2 kg.")]
    fineness: Fineness = field(default_factory=dict)
    place: Annotated[
        Place | None, None, Asks("Where it is", "Left empty, where such things stand.")
    ] = None
    description: Description = ""


@recorded_once
def open_stock(*, stock: Stock, act: Act) -> Lot:
    """Puts something of the house on the books as it is found, against the opening account.

    No supplier is asked. Where nobody knows the fineness, that of silver is supposed from the word,
    with a wide uncertainty, or none is. Raises InvalidError `unknown_choice`, and what
    `check_contents`, `open_lot` and `open_bag` raise.
    """
    check_contents(dict(stock.fineness), field="fineness")
    _, area, guess = _WORDS.get(stock.form, ("", _AREA.FEED_STORE, None))
    place = stock.place or place_for(area, act)
    metals = {
        metal: Amount(content_ug(stock.mass_ug, ppt))
        for metal, ppt in stock.fineness.items()
        if ppt
    }
    if not stock.fineness and guess is not None:
        value, u = (content_ug(stock.mass_ug, Decimal(ppt)) for ppt in guess)
        metals = {"Ag": Amount(value, u)}
    inner = replace(act, key="")
    if stock.form == _FORM.SLIMES_BAG:
        bag = WaitingBag(place, metals, stock.mass_ug, description=stock.description)
        return open_bag(bag=bag, act=inner).lot
    opening = Opening(
        form=stock.form,
        owner=house(),
        place=place,
        metals=metals,
        mass_ug=stock.mass_ug,
        content=Lot.Content.DECLARED,
        description=stock.description,
    )
    opened: Lot = open_lot(opening=opening, act=inner)
    return opened


OPEN_STOCK: Final = Event(
    open_stock,
    at="openings/stock",
    name="open-stock",
    about="Put on the books, by its word and weight, what is on the works' shelves.",
    title="What is on the shelves",
    lead="Your own metal as you find it, one thing at a time. No supplier is needed.",
    button="Put it on the books",
    done="It is on the books. Print its label.",
    roles=OFFICE,
    cautions=("slimes",),
    flat=("stock",),
    order=("form", "mass", "fineness", "place", "description"),
    menu=Menu("BENCH", "What is on the shelves", 89, group=FIRST_DAY, hint="By word and weight"),
)
