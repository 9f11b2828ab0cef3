"""A lot comes in at the door: weighed, labelled and put on the books with its declared content."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.common import parties
from lots.declaration.event import Asks, Event, Menu
from lots.fineness import check_contents, content_ug
from lots.ledger import accounts
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.measurements.weighings import Weight, check_weight, keep_weighing
from lots.models import Entry, Lot, Movement, Party, Place, Weighing
from lots.queries.likely_lots import received_held
from lots.services.lot_register import LABEL_MAX, register_lot
from lots.texts import DESCRIPTION_MAX

NOT_RECEIVED: Final = (Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE, Lot.Form.ELECTROLYTE)
COMES_IN: Final = [(value, label) for value, label in Lot.Form.choices if value not in NOT_RECEIVED]


@dataclass(frozen=True)
class Receipt:
    """What came in. `declared` is fineness (parts per thousand) by metal, as the sender states it.

    `owner` is the customer whose metal it stays, or the house when it was bought outright.
    """

    party: Annotated[Party, None, Asks("Who brought it", among=parties("customer", "supplier"))]
    owner: Annotated[
        Party,
        None,
        Asks(
            "Whose metal it is",
            "Whose it is from now on: the customer's or the house's.",
            on_page=False,
        ),
    ]
    form: Annotated[
        str, Asks("What it is", choices=Lot.Form, offered=COMES_IN, initial=Lot.Form.FEED)
    ]
    place: Annotated[Place, None, Asks("Where it is put")]
    weight: Weight
    declared: Annotated[
        Mapping[str, Decimal],
        Asks(
            "Content as the sender declares it",
            "Parts per thousand (‰) of each metal. It is provisional until an assay rules.",
        ),
    ] = field(default_factory=dict)
    description: Annotated[
        str, Asks(help="What it looks like, in a few words.", at_most=DESCRIPTION_MAX)
    ] = ""
    code: Annotated[
        str,
        Asks(
            "Label it already bears",
            "Only for a lot that already carries a label of this works.",
            at_most=LABEL_MAX,
        ),
    ] = ""


@recorded_once
def receive_lot(*, receipt: Receipt, act: Act) -> Lot:
    """Receives one lot. Its book content is declared, and provisional, until an assay rules.

    Refuses a weighing that can't be, fineness out of range or summing to more than 1000
    (`fineness_out_of_range`, `fineness_sum_above_1000`), a form that doesn't come in at the door.
    """
    check_weight(receipt.weight)
    check_contents(dict(receipt.declared))
    if receipt.form in NOT_RECEIVED:
        raise refuse("form_not_received", field="form", value=receipt.form)
    lot = register_lot(
        form=receipt.form,
        owner=receipt.owner,
        place=receipt.place,
        content=Lot.Content.DECLARED,
        act=act,
        description=receipt.description,
        received_from=receipt.party,
        code=receipt.code,
    )
    weighing = keep_weighing(lot, receipt.weight, Weighing.Purpose.RECEIPT, act)
    lines = []
    for metal, fineness_ppt in receipt.declared.items():
        mass_ug = content_ug(weighing.net_ug, fineness_ppt)
        lines += [
            Line(metal, mass_ug, lot=lot, basis=Entry.Basis.DECLARED, quantity_by=weighing),
            Line(
                metal,
                -mass_ug,
                account=accounts.RECEIVED,
                owner=receipt.party,
                basis=Entry.Basis.DECLARED,
                quantity_by=weighing,
            ),
        ]
    draft = Draft(
        kind=Movement.Kind.RECEIPT,
        stage=Movement.Stage.RECEIPT,
        lines=lines,
        materials=[MaterialLine(lot, mass_ug=weighing.net_ug, quantity_by=weighing)],
        standings=[StandingLine(lot, receipt.place, receipt.owner)],
        counterparty=receipt.party,
    )
    post(draft, act)
    return lot


RECEIVE: Final = Event(
    receive_lot,
    at="receipts",
    name="receive",
    about="""Receive a lot at the door.

    Its declared content is provisional until an assay rules.
    """,
    title="Receive a lot",
    lead="Weigh it as it came, before anything is done to it.",
    button="Receive it",
    done="Received. Print its label and stick it on before you set it down.",
    cautions=("receive",),
    flat=("receipt",),
    asked_as={"fineness": "declared"},
    order=("party", "form", "gross", "tare", "balance", "place", "declared", "bought"),
    page_at="receive",
    menu=Menu("BENCH", "Receive a lot", 10, group="At the door", hint="Weigh it and label it"),
    likely=received_held,
)
