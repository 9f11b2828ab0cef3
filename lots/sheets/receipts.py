"""Imports lots received: each row comes in at the door by the receipt service."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from lots.fineness import content_ug
from lots.ledger.recording import Act
from lots.metals import Metal
from lots.models import Lot
from lots.services.receipt import Receipt, receive_lot
from lots.sheets.columns import Column, Kind
from lots.sheets.parts import (
    CODE,
    DESCRIPTION,
    NOTE,
    PLACE_NAMES,
    WEIGHT,
    WHEN,
    by_metal,
    metal_columns,
    weight_of,
)
from lots.sheets.subjects import Row, Subject, register

_COMES_IN: Final = tuple(
    (value, label)
    for value, label in Lot.Form.choices
    if value not in {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE, Lot.Form.ELECTROLYTE}
)


def _record(row: Row, act: Act) -> Lot:
    receipt = Receipt(
        party=row.get("party"),
        owner=row.get("owner") or row.get("party"),
        form=row.get("form", Lot.Form.FEED),
        place=row.get("place"),
        weight=weight_of(row),
        declared=by_metal(row),
        description=row.get("description", ""),
        code=row.get("code", ""),
    )
    return receive_lot(receipt=receipt, act=row.act(act))


def _metals(row: Row) -> Mapping[str, int]:
    """The declared content, as the receipt puts it on the books."""
    net_ug = row.get("gross") - row.get("tare", 0)
    return {metal: content_ug(net_ug, ppt) for metal, ppt in by_metal(row).items()}


RECEIPTS: Final = register(
    Subject(
        name="receipts",
        title="Lots received",
        about="Lots as they came in at the door, with what their sender declares. The content "
        "stays provisional until an assay rules.",
        columns=(
            Column(
                "party",
                "Brought by",
                Kind.NAME,
                "Who brought it: the code or name of the customer or supplier.",
                "brackwater",
                required=True,
                names="party",
                also_called=("party", "customer", "supplier", "sender", "from", "received from"),
            ),
            Column(
                "owner",
                "Owner",
                Kind.NAME,
                "Whose metal it is from then on; left empty, whoever brought it. Name the works "
                "for what was bought outright.",
                names="party",
                also_called=("whose", "whose it is"),
            ),
            Column(
                "form",
                "Form",
                Kind.CHOICE,
                "What it is; feed when left empty.",
                "Feed",
                choices=_COMES_IN,
                also_called=("type", "kind", "lot form"),
            ),
            Column(
                "place",
                "Place",
                Kind.NAME,
                "Where it is put: the code or name of the place.",
                "feed-shelf",
                required=True,
                names="place",
                also_called=PLACE_NAMES,
            ),
            replace(WHEN, also_called=(*WHEN.also_called, "received", "received on", "arrived")),
            *WEIGHT,
            *metal_columns(
                Kind.FINENESS,
                "The {} declared, by mass of the whole.",
                {Metal.AG.value: "925", Metal.CU.value: "75"},
            ),
            DESCRIPTION,
            CODE,
            NOTE,
        ),
        record=_record,
        once=("code",),
        metals=_metals,
    )
)
