"""Imports what there was, and was owed, on the day the ledger begins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

from django.db.models import Model

from config.refusals import refuse
from lots.declaration.as_sheet import column
from lots.ledger.posting import house
from lots.ledger.recording import Act
from lots.metals import Metal
from lots.models import Lot
from lots.services.opening import OPEN_LOT, Amount, Opening, open_claim, open_lot
from lots.sheets.columns import Column, Kind
from lots.sheets.parts import (
    CODE,
    DESCRIPTION,
    NOTE,
    PLACE_NAMES,
    WHEN,
    by_metal,
    metal_columns,
)
from lots.sheets.subjects import Row, Subject, register

CLAIM: Final = "claim"
# What runs can't be taken over by itself.
_OPENED: Final = tuple(
    (value, label)
    for value, label in Lot.Form.choices
    if value not in {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE}
)
Opener = Callable[[Opening, Act], Model]
_OPENERS: Final[dict[str, Opener]] = {}


def opener_for(form: str) -> Callable[[Opener], Opener]:
    """Registers how a lot of one form is put on the books, where a service above does it."""

    def take(opener: Opener) -> Opener:
        _OPENERS[form] = opener
        return opener

    return take


def _record(row: Row, act: Act) -> Model:
    act = row.act(act)
    owner = row.get("owner") or house()
    if row.get("form") == CLAIM:
        _refuse_if_given(row, "place", "mass", "volume", "code", "content")
        return open_claim(owner=owner, metals=by_metal(row), act=act)
    if row.get("place") is None:
        raise refuse("cell_needed:openings", field="place")
    opening = Opening(
        form=row.get("form"),
        owner=owner,
        place=row.get("place"),
        metals={
            metal: Amount(mass_ug, row.get(f"{metal}_u"))
            for metal, mass_ug in by_metal(row).items()
        },
        mass_ug=row.get("mass", 0),
        volume_ul=row.get("volume", 0),
        content=row.get("content", Lot.Content.BY_DIFFERENCE),
        description=row.get("description", ""),
        code=row.get("code", ""),
        received_from=row.get("received_from"),
    )
    opener = _OPENERS.get(opening.form)
    return opener(opening, act) if opener else open_lot(opening=opening, act=act)


def _refuse_if_given(row: Row, *names: str) -> None:
    for name in names:
        if row.get(name) is not None:
            raise refuse("not_of_a_claim", field=name, value=row.get(name))


def _spreads() -> tuple[Column, ...]:
    masses = metal_columns(
        Kind.MASS, "The standard uncertainty of the {}, where it is known.", {"Ag": "0.5"}
    )
    return tuple(
        replace(
            column,
            name=f"{column.name}_u",
            header=f"{column.header} ± u",
            also_called=(f"{column.name} u", f"{column.header} uncertainty"),
            may_be_zero=True,
        )
        for column in masses
    )


def _asked_as() -> dict[str, Any]:
    return {f"metals.{metal}.standard_uncertainty": f"{metal}_u" for metal in Metal.values} | {
        f"metals.{metal}": metal for metal in Metal.values
    }


OPENING: Final = register(
    Subject(
        name="opening",
        title="Opening balances",
        about="Lots that were there, and customers' claims on the pool, on the day the ledger "
        "begins. Give that day under When.",
        columns=(
            column(
                OPEN_LOT,
                "form",
                "What the lot is; or claim, for what a customer is owed out of the pool.",
                *("type", "kind", "lot form"),
                header="Form",
                example="Granules",
                choices=(*_OPENED, (CLAIM, "Claim")),
            ),
            column(
                OPEN_LOT,
                "owner",
                "Whose it is: the code or name of the customer; left empty, the works'.",
                *("whose", "whose it is", "customer", "party"),
                header="Owner",
                example="brackwater",
                required=False,
            ),
            column(
                OPEN_LOT,
                "place",
                "Where it stands: the code or name of the place. A claim has none.",
                *PLACE_NAMES,
                header="Place",
                example="feed-shelf",
                required=False,
            ),
            replace(WHEN, example="2026-05-04"),
            column(
                OPEN_LOT,
                "mass",
                "What the lot itself weighs, dry. Needed for what is no liquid.",
                *("weight", "net", "net weight", "lot mass"),
                example="1000.4",
            ),
            column(OPEN_LOT, "volume", "The volume of a solution or of rinse water.", "lot volume"),
            *metal_columns(Kind.MASS, "The mass of {} in it.", {"Ag": "925.37", "Cu": "75.03"}),
            *_spreads(),
            column(
                OPEN_LOT,
                "content",
                "What the metals' masses rest on; by difference when left empty.",
                *("content", "basis"),
                header="Content rests on",
                example="Assayed",
            ),
            column(
                OPEN_LOT,
                "received_from",
                "Who the lot came from, if that is known.",
                *("came from", "supplier"),
                header="Received from",
            ),
            DESCRIPTION,
            CODE,
            NOTE,
        ),
        record=_record,
        once=("code",),
        metals=by_metal,
        asked_as=_asked_as(),
    )
)
