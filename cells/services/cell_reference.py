"""Cells are added and edited, each edit on the version its editor saw."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Annotated, Final

from django.db.models import QuerySet

from cells.models import UNFINISHED, Cell, CellRun
from config.refusals import InvalidError, refuse
from lots.declaration.event import MASS, Asks, questions_of
from lots.ledger.recording import Act, recorded_once
from lots.models import Place
from lots.services.reference import Code, PlaceDetails, check_label, create_place, values_of
from lots.texts import checked_text
from lots.units import MASS_UG_MAX, VOLUME_UL_MAX, parse_decimal

NAME_MAX: Final = 80


def _figure(
    label: str,
    help: str = "",
    *,
    at_most: int = 10**5 - 1,
    decimals: int = 3,
    positive: bool = True,
) -> Asks:
    """A figure of a cell; `positive` says that it must be above zero."""
    return Asks(label, help, at_least=0, at_most=at_most, decimals=decimals, positive=positive)


def _cell_places() -> QuerySet[Place]:
    return Place.objects.filter(area=Place.Area.CELL)


@dataclass(frozen=True)
class CellDetails:
    """Volume in microlitres, basket in micrograms; the other units are in the names."""

    name: Annotated[str, Asks(help="Such as North, or Cell 1.", at_most=NAME_MAX)]
    bath_volume_ul: Annotated[
        int, Asks("Volume of the bath", "As in 3 L or 850 ml.", at_most=VOLUME_UL_MAX)
    ]
    current_limit_a: Annotated[Decimal, _figure("Most current, A")]
    fuse_rating_a: Annotated[Decimal, _figure("Fuse, A")]
    filter_cloth: Annotated[str, Asks(help="Of the bag, as it is sold.", at_most=NAME_MAX)] = ""
    place: Annotated[
        Place | None,
        None,
        Asks(help="Left empty, the cell is a place of its own.", among=_cell_places),
    ] = None
    copper_limit_g_per_l: Annotated[Decimal, _figure("Most copper, g/L")] = Decimal(60)
    silver_min_g_per_l: Annotated[Decimal, _figure("Least silver, g/L", positive=False)] = Decimal(
        30
    )
    palladium_limit_g_per_l: Annotated[Decimal, _figure("Most palladium, g/L")] = Decimal("0.5")
    lead_rating_a: Annotated[Decimal | None, _figure("What the leads carry, A")] = None
    cathode_cm2: Annotated[
        Decimal | None, _figure("Cathode, cm²", at_most=10**7 - 1, decimals=2)
    ] = None
    clearance_mm: Annotated[
        Decimal | None,
        _figure("From the bare cathode to the basket, mm", "What crystal may grow to.", decimals=2),
    ] = None
    evaporation_ml_per_h: Annotated[Decimal, _figure("Water lost in use, ml/h", positive=False)] = (
        Decimal(0)
    )
    basket_ug_max: Annotated[
        int | None,
        Asks(
            "The most the basket takes",
            "As in 1.5 kg.",
            name="basket_max",
            kind=MASS,
            at_most=MASS_UG_MAX,
        ),
    ] = None
    ammeter_gain_u: Annotated[
        Decimal,
        _figure(
            "Ammeter, relative standard uncertainty common to its readings",
            "As in 0.01 for one per cent.",
            at_most=9,
            decimals=5,
            positive=False,
        ),
    ] = Decimal("0.01")
    ammeter_reading_u_a: Annotated[
        Decimal,
        _figure(
            "Ammeter, standard uncertainty of one reading, A",
            at_most=10**4 - 1,
            decimals=4,
            positive=False,
        ),
    ] = Decimal(0)
    ammeter_zero_u_a: Annotated[
        Decimal,
        _figure(
            "Ammeter, standard uncertainty of its zero, A",
            at_most=10**4 - 1,
            decimals=4,
            positive=False,
        ),
    ] = Decimal(0)
    ammeter_calibration_due: dt.date | None = None
    code: Code = ""
    is_active: bool = True


@recorded_once
def create_cell(*, details: CellDetails, act: Act) -> Cell:
    """Adds a cell; without a place it becomes one of its own.

    Raises InvalidError `bad_code`, `empty`, `too_long`, `not_text`, `not_a_number`,
    `too_many_digits`, `not_positive`, `below_zero`, `too_large`, `not_a_cell_place`,
    `fuse_above_leads`; ConflictError `duplicate_code`, `place_not_in_use`.
    """
    _check(details, None)
    values = values_of(Cell, details, None)
    if details.place is None:
        own = PlaceDetails(name=values["name"], area=Place.Area.CELL)
        values["place"] = create_place(details=own, act=replace(act, key=""))
    return Cell.objects.create(**values)


@recorded_once
def edit_cell(*, cell: Cell, version: int, details: CellDetails, act: Act) -> Cell:
    """Changes a cell as seen at `version`.

    Raises as `create_cell`, and ConflictError `version_conflict`, and `cell_in_use` when it is to
    go out of use or move while a run is unfinished in it.
    """
    cell.refresh_from_db()
    if cell.version != version:
        raise refuse("version_conflict", field="version", value=version)
    _check(details, cell)
    values = values_of(Cell, details, cell)
    values["place"] = details.place or cell.place
    for name, value in values.items():
        setattr(cell, name, value)
    cell.version += 1
    cell.save(update_fields=[*values, "version"])
    return cell


def _check(details: CellDetails, cell: Cell | None) -> None:
    check_label(Cell, details, cell, name_max=NAME_MAX)
    checked_text(details.filter_cloth, field="filter_cloth", limit=NAME_MAX)
    _check_figures(details)
    if details.lead_rating_a is not None and details.fuse_rating_a > details.lead_rating_a:
        raise refuse("fuse_above_leads", field="fuse_rating_a", value=details.fuse_rating_a)
    place = details.place or (cell.place if cell is not None else None)
    if place is not None:
        _check_place(place, cell)
    if cell is not None and (cell.is_active > details.is_active or cell.place != place):
        run = CellRun.objects.filter(cell=cell, state__in=UNFINISHED).first()
        if run is not None:
            raise refuse(
                "cell_in_use", field="place" if details.is_active else "is_active", value=run.code
            )


def _check_figures(details: CellDetails) -> None:
    """Refuses what is no plain number, finer than its column keeps, or out of range."""
    for each in questions_of(CellDetails):
        value, asks = getattr(details, each.param), each.asks
        if each.type not in (int, Decimal) or value is None:
            continue
        if isinstance(value, Decimal):
            parse_decimal(value, field=each.name, decimals_max=asks.decimals)
        if value < 0 or (asks.positive and value == 0):
            code = "not_positive" if asks.positive else "below_zero"
        elif asks.at_most is not None and value > asks.at_most:
            code = "too_large"
        else:
            continue
        raise InvalidError(
            "This is not a figure that a cell has.",
            code=code,
            field=each.name,
            value=value,
            remedy="Check the figure and its unit.",
        )


def _check_place(place: Place, cell: Cell | None) -> None:
    if place.area != Place.Area.CELL:
        raise refuse("not_a_cell_place", field="place", value=place.code, place=place)
    if not place.is_active and (cell is None or cell.place != place):
        raise refuse("place_not_in_use", field="place", value=place.code, place=place)
