"""Gives a new lot its code and its row."""

from __future__ import annotations

from typing import Final

from config.refusals import refuse
from lots.codes import make_code, parse_code
from lots.declaration.event import Menu, On
from lots.ledger.raw_sql import fetch
from lots.ledger.recording import Act
from lots.models import Lot, LotNumber, Party, Place
from lots.texts import DESCRIPTION_MAX, checked_text

ON_LOT: Final = On(Lot, "lots/<str:code>", "lot", related=("owner", "place"), page="lot")
LABEL_MAX: Final = 40
NOT_MOVING: Final = (Lot.State.AVAILABLE, Lot.State.QUARANTINED)
THERE: Final = (*NOT_MOVING, Lot.State.IN_PROCESS)


def of_lot(label: str, order: int, hint: str, *kinds: str) -> Menu:
    """A link on the pages of lots of these states or forms."""
    return Menu("LOT_ACTIONS", label, order, hint=hint, about=frozenset(map(str, kinds)))


PREFIX_BY_FORM: Final[dict[str, str]] = {
    Lot.Form.FEED: "FD",
    Lot.Form.GRANULES: "GR",
    Lot.Form.ANODE_CHARGE: "CH",
    Lot.Form.ANODE_REMNANT: "RM",
    Lot.Form.SLIMES_BAG: "SB",
    Lot.Form.ELECTROLYTE: "EL",
    Lot.Form.RINSE_WATER: "RW",
    Lot.Form.SOLUTION: "SN",
    Lot.Form.CEMENT_SILVER: "CS",
    Lot.Form.FINE_CRYSTAL: "FC",
    Lot.Form.BAR: "BR",
    Lot.Form.SAMPLE: "SM",
    Lot.Form.RESIDUE: "RS",
    Lot.Form.FINE_GOLD: "FG",
    Lot.Form.PGM_CONCENTRATE: "PG",
    Lot.Form.IN_PROCESS: "WP",
}


def next_code(prefix: str, year: int) -> str:
    """The next code of a prefix in a year; the caller holds the ledger's lock.

    A number that a lot labelled before the ledger began already bears is passed over.
    """
    while True:
        code = str(make_code(prefix, year, _next_number(prefix, year)))
        if not fetch("SELECT 1 FROM lots_lot WHERE code = %s", [code]):
            return code


def _next_number(prefix: str, year: int) -> int:
    counted = fetch(
        "UPDATE lots_lotnumber SET last_number = last_number + 1 "
        "WHERE prefix = %s AND year = %s RETURNING last_number",
        [prefix, year],
    )
    if counted:
        number: int = counted[0][0]
        return number
    return LotNumber.objects.create(prefix=prefix, year=year, last_number=1).last_number


def register_lot(
    *,
    form: str,
    owner: Party,
    place: Place,
    content: str,
    act: Act,
    description: str = "",
    received_from: Party | None = None,
    code: str = "",
    state: str = Lot.State.AVAILABLE,
) -> Lot:
    """A new lot's row; the movement that fills it follows in the same transaction.

    `code` may be given for a lot already labelled before the ledger began; it is checked, and
    refused when taken (409 `duplicate_code`). A description that is not text or is too long is
    refused, and so is a form that is not known (`unknown_choice`).
    """
    if form not in PREFIX_BY_FORM:
        raise refuse(
            "unknown_choice:lot_register",
            field="form",
            value=form,
            prefix_by_form=", ".join(PREFIX_BY_FORM),
        )
    description = checked_text(description, field="description", limit=DESCRIPTION_MAX)
    if code:
        code = str(parse_code(code, field="code"))
        if Lot.objects.filter(code=code).exists():
            raise refuse("duplicate_code", field="code", value=code)
    else:
        code = next_code(PREFIX_BY_FORM[form], act.moment.year)
    return Lot.objects.create(
        code=code,
        form=form,
        description=description,
        owner=owner,
        place=place,
        content=content,
        received_from=received_from,
        registered_at=act.moment,
        state=state,
    )
