"""Cells are added and edited, each edit on the version its editor saw."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Final

from cells.models import UNFINISHED, Cell, CellRun
from config.refusals import ConflictError, InvalidError
from lots.models import Place
from lots.services.recording import Act, recorded_once
from lots.texts import checked_text
from lots.units import MASS_UG_MAX, VOLUME_UL_MAX, parse_decimal

_CODE: Final = re.compile(r"[-a-zA-Z0-9_]{1,24}")
NAME_MAX: Final = 80
_ZERO: Final = Decimal(0)
# Each figure of a cell: the least (excluded when above it is asked for), the most, its decimals.
_FIGURES: Final[dict[str, tuple[bool, Decimal, int]]] = {
    "copper_limit_g_per_l": (True, Decimal(2000), 3),
    "silver_min_g_per_l": (False, Decimal(2000), 3),
    "palladium_limit_g_per_l": (True, Decimal(2000), 3),
    "current_limit_a": (True, Decimal(10_000), 3),
    "fuse_rating_a": (True, Decimal(10_000), 3),
    "lead_rating_a": (True, Decimal(10_000), 3),
    "cathode_cm2": (True, Decimal(1_000_000), 2),
    "clearance_mm": (True, Decimal(10_000), 2),
    "evaporation_ml_per_h": (False, Decimal(10_000), 3),
    "ammeter_gain_u": (False, Decimal(1), 5),
    "ammeter_reading_u_a": (False, Decimal(1000), 4),
    "ammeter_zero_u_a": (False, Decimal(1000), 4),
}


@dataclass(frozen=True)
class CellDetails:
    """A cell as its plate, its fittings and the works' limits say. See `cells.models.Cell`."""

    code: str
    name: str
    place: Place
    bath_volume_ul: int
    current_limit_a: Decimal
    fuse_rating_a: Decimal
    copper_limit_g_per_l: Decimal = Decimal("60")
    silver_min_g_per_l: Decimal = Decimal("30")
    palladium_limit_g_per_l: Decimal = Decimal("0.5")
    lead_rating_a: Decimal | None = None
    cathode_cm2: Decimal | None = None
    clearance_mm: Decimal | None = None
    evaporation_ml_per_h: Decimal = Decimal("0")
    basket_ug_max: int | None = None
    ammeter_gain_u: Decimal = Decimal("0.01")
    ammeter_reading_u_a: Decimal = Decimal("0")
    ammeter_zero_u_a: Decimal = Decimal("0")
    ammeter_calibration_due: dt.date | None = None
    is_active: bool = True


@recorded_once
def create_cell(*, details: CellDetails, act: Act) -> Cell:
    """Adds a cell.

    Raises InvalidError `bad_code`, `empty`, `too_long`, `not_text`, `not_positive`, `too_large`,
    `not_a_number`, `too_small`, `too_many_digits`; ConflictError `duplicate_code`.
    """
    _check(details, None)
    return Cell.objects.create(**_values(details))


@recorded_once
def edit_cell(*, cell: Cell, version: int, details: CellDetails, act: Act) -> Cell:
    """Changes a cell as seen at `version`.

    Raises as `create_cell`, and ConflictError `version_conflict`, and `cell_busy` when it is to go
    out of use with a run in it.
    """
    cell = Cell.objects.get(pk=cell.pk)
    if cell.version != version:
        raise ConflictError(
            "This was changed by someone else meanwhile.",
            code="version_conflict",
            field="version",
            value=version,
            remedy="Read it again and repeat the edit on the newer version.",
        )
    _check(details, cell)
    values = _values(details)
    for name, value in values.items():
        setattr(cell, name, value)
    cell.version += 1
    cell.save(update_fields=[*values, "version"])
    return cell


def _values(details: CellDetails) -> dict[str, object]:
    values = {each.name: getattr(details, each.name) for each in fields(details)}
    return values | {"name": details.name.strip()}


def _check(details: CellDetails, cell: Cell | None) -> None:
    code = checked_text(details.code, field="code", limit=24, required=True)
    if not _CODE.fullmatch(code):
        raise InvalidError(
            "A code is made of letters, digits, hyphens and underscores.",
            code="bad_code",
            field="code",
            value=code,
            remedy="Choose a short code such as north.",
        )
    checked_text(details.name, field="name", limit=NAME_MAX, required=True)
    others = Cell.objects.filter(code=code)
    if cell is not None:
        others = others.exclude(pk=cell.pk)
    if others.exists():
        raise ConflictError(
            "This code is taken.",
            code="duplicate_code",
            field="code",
            value=code,
            remedy="Choose another code.",
        )
    _check_amount(details.bath_volume_ul, VOLUME_UL_MAX, "bath_volume")
    if details.basket_ug_max is not None:
        _check_amount(details.basket_ug_max, MASS_UG_MAX, "basket_max")
    for name, (above_zero, highest, decimals) in _FIGURES.items():
        _check_figure(getattr(details, name), name, above_zero, highest, decimals)
    busy = CellRun.objects.filter(cell=cell, state__in=UNFINISHED).first() if cell else None
    if busy is not None and not details.is_active:
        raise ConflictError(
            f"Run {busy.code} is still in this cell.",
            code="cell_busy",
            field="is_active",
            value=code,
            remedy="Close that run first.",
        )


def _check_amount(amount: int, highest: int, field: str) -> None:
    if not 0 < amount <= highest:
        raise InvalidError(
            "This is not an amount that a cell takes.",
            code="not_positive" if amount <= 0 else "too_large",
            field=field,
            value=amount,
            remedy="Check the number and its unit.",
        )


def _check_figure(
    value: Decimal | None, field: str, above_zero: bool, highest: Decimal, decimals: int
) -> None:
    if value is None:
        return
    number = parse_decimal(
        value, field=field, minimum=_ZERO, maximum=highest, decimals_max=decimals
    )
    if above_zero and number == 0:
        raise InvalidError(
            "This must be more than zero.",
            code="too_small",
            field=field,
            value=value,
            remedy="Enter what the cell's plate or fitting says.",
        )
