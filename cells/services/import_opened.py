"""How an import of opening balances puts on the books what is more than a lot to the cells."""

from __future__ import annotations

from typing import NoReturn

from cells.services.open_bag import WaitingBag, open_bag
from config.refusals import refuse
from lots.ledger.recording import Act
from lots.models import Lot
from lots.services.opening import Opening
from lots.sheets.openings import opener_for


@opener_for(Lot.Form.SLIMES_BAG)
def _bag(opening: Opening, act: Act) -> Lot:
    """A bag that waits for its recovery; what it holds is the works' own."""
    if not opening.owner.is_house:
        raise refuse("not_the_house", field="owner", value=opening.owner.code)
    bag = WaitingBag(
        place=opening.place,
        metals=opening.metals,
        mass_ug=opening.mass_ug,
        description=opening.description,
        code=opening.code,
    )
    return open_bag(bag=bag, act=act).lot


@opener_for(Lot.Form.ELECTROLYTE)
def _electrolyte(opening: Opening, act: Act) -> NoReturn:
    raise refuse("form_not_opened", field="form", value=opening.form)
