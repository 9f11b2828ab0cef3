"""Imports lots received: each row comes in at the door by the receipt service."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from lots.declaration.as_sheet import column
from lots.fineness import content_ug
from lots.ledger.recording import Act
from lots.metals import Metal
from lots.models import Lot
from lots.services.receipt import RECEIVE, Receipt, receive_lot
from lots.sheets.columns import Kind
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
            column(
                RECEIVE,
                "party",
                "Who brought it: the code or name of the customer or supplier.",
                *("party", "customer", "supplier", "sender", "from", "received from"),
                header="Brought by",
                example="brackwater",
            ),
            column(
                RECEIVE,
                "owner",
                "Whose metal it is from then on; left empty, whoever brought it. Name the works "
                "for what was bought outright.",
                *("whose", "whose it is"),
                header="Owner",
                required=False,
            ),
            column(
                RECEIVE,
                "form",
                "What it is; feed when left empty.",
                *("type", "kind", "lot form"),
                header="Form",
                example="Feed",
                required=False,
            ),
            column(
                RECEIVE,
                "place",
                "Where it is put: the code or name of the place.",
                *PLACE_NAMES,
                header="Place",
                example="feed-shelf",
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
