"""Parties, places and balances are added and edited, each edit on the version its editor saw."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, fields
from itertools import chain, count
from typing import Annotated, Any, Final, Protocol, TypeVar

from django.db.models import Model
from django.utils.text import slugify

from config.refusals import InvalidError, refuse
from lots.declaration.event import MASS, Asks
from lots.ledger.recording import Act, recorded_once
from lots.models import Balance, Lot, Party, Place
from lots.scales import UNCERTAINTY_RULE, rounding_ug
from lots.texts import checked_text
from lots.units import MASS_UG_MAX

_CODE: Final = re.compile(r"[-a-zA-Z0-9_]{1,24}")
CODE_MAX: Final = 24
NAME_MAX: Final = 120
CONTACT_MAX: Final = 200

Row = TypeVar("Row", Party, Place, Balance)


Code = Annotated[
    str, Asks(help="Such as feed-shelf. Left empty, it is made from the name.", at_most=CODE_MAX)
]
Name = Annotated[str, Asks(at_most=NAME_MAX)]


@dataclass(frozen=True)
class PartyDetails:
    name: Name
    kind: Annotated[str, Asks(choices=Party.Kind)]
    contact: Annotated[str, Asks(at_most=CONTACT_MAX)] = ""
    code: Code = ""
    is_active: bool = True


@dataclass(frozen=True)
class PlaceDetails:
    name: Name
    area: Annotated[str, Asks(choices=Place.Area)]
    code: Code = ""
    is_active: bool = True


@dataclass(frozen=True)
class BalanceDetails:
    """Capacity, readability and standard uncertainty of one weighing in micrograms.

    What is None is not known: the uncertainty is then supposed from the last digit.
    """

    name: Name
    readability_ug: Annotated[int, Asks("Readability", "The last digit, as in 0.1 g.")]
    capacity_ug: Annotated[
        int | None,
        Asks("Capacity", "As in 6.2 kg. Left empty, nothing is refused for it.", kind=MASS),
    ] = None
    standard_uncertainty_ug: Annotated[
        int | None,
        Asks(
            "Standard uncertainty of one weighing",
            "From its certificate and its repeatability, as in 0.08 g. Left empty, it is "
            f"supposed: {UNCERTAINTY_RULE}.",
            kind=MASS,
            positive=False,
        ),
    ] = None
    calibration_due: Annotated[dt.date | None, Asks(help="Left empty, it is not known.")] = None
    code: Code = ""
    is_active: bool = True


Details = PartyDetails | PlaceDetails | BalanceDetails


@recorded_once
def create_party(*, details: PartyDetails, act: Act) -> Party:
    """Adds a party.

    A code left empty is made from the name. Raises InvalidError `bad_code`, `empty`, `too_long`,
    `not_text`, `unknown_choice`; ConflictError `duplicate_code`, `one_house`.
    """
    _check_party(details, None)
    return _create(Party, details)


@recorded_once
def edit_party(*, party: Party, version: int, details: PartyDetails, act: Act) -> Party:
    """Changes a party as seen at `version`. Raises as `create_party`, and `version_conflict`."""
    _check_version(party, version)
    _check_party(details, party)
    return _edit(party, details)


@recorded_once
def create_place(*, details: PlaceDetails, act: Act) -> Place:
    """Adds a place. Raises as `create_party`."""
    _check_place(details, None)
    return _create(Place, details)


@recorded_once
def edit_place(*, place: Place, version: int, details: PlaceDetails, act: Act) -> Place:
    """Changes a place as seen at `version`.

    Raises as `create_party`, `version_conflict`, and `place_in_use` when it is to go out of use
    while lots stand there.
    """
    _check_version(place, version)
    _check_place(details, place)
    return _edit(place, details)


@recorded_once
def create_balance(*, details: BalanceDetails, act: Act) -> Balance:
    """Adds a balance. Raises as `create_party`, and InvalidError `not_positive`, `too_large`."""
    _check_balance(details, None)
    return _create(Balance, details, **_uncertainty(details, None))


@recorded_once
def edit_balance(*, balance: Balance, version: int, details: BalanceDetails, act: Act) -> Balance:
    """Changes a balance as seen at `version`, as when it comes back from calibration.

    Weighings keep the uncertainty they were made with. Raises as `create_balance`, and
    `version_conflict`.
    """
    _check_version(balance, version)
    _check_balance(details, balance)
    return _edit(balance, details, **_uncertainty(details, balance))


@dataclass(frozen=True)
class Kept:
    """A kind of reference data: what is said of it, and how it is added and edited."""

    kind: str
    model: Any
    details: type[Any]
    create: Callable[..., Any]
    edit: Callable[..., Any]

    def save(self, row: Any, version: int, details: Mapping[str, Any], act: Act) -> Any:
        """Adds it where there is no row yet, else edits it as seen at `version`."""
        said = self.details(**details)
        if row is None:
            return self.create(details=said, act=act)
        return self.edit(**{self.kind: row}, version=version, details=said, act=act)


PARTY: Final = Kept("party", Party, PartyDetails, create_party, edit_party)
PLACE: Final = Kept("place", Place, PlaceDetails, create_place, edit_place)
BALANCE: Final = Kept("balance", Balance, BalanceDetails, create_balance, edit_balance)


def _create(model: type[Row], details: Details, **more: Any) -> Row:
    return model.objects.create(**values_of(model, details, None) | more)


def _edit(row: Row, details: Details, **more: Any) -> Row:
    values: dict[str, Any] = values_of(type(row), details, row) | more
    for name, value in values.items():
        setattr(row, name, value)
    row.version += 1
    row.save(update_fields=[*values, "version"])
    return row


def values_of(model: type[Model], details: Any, row: Any) -> dict[str, Any]:
    """The row's columns by the details; a code left out stays, or is made from the name."""
    given = {each.name: getattr(details, each.name) for each in fields(details)}
    values: dict[str, Any] = {
        name: value.strip() if isinstance(value, str) else value for name, value in given.items()
    }
    if not values["code"]:
        values["code"] = row.code if row is not None else code_from(model, values["name"])
    return values


def code_from(model: type[Model], name: str) -> str:
    """A code that no other row has, made from a name: “Feed shelf” is feed-shelf."""
    stem = slugify(name)[: CODE_MAX - 4].strip("-_") or model._meta.model_name or ""
    taken = set(model._default_manager.filter(code__startswith=stem).values_list("code", flat=True))
    candidates = chain([stem], (f"{stem}-{number}" for number in count(2)))
    return next(each for each in candidates if each not in taken)


def _uncertainty(details: BalanceDetails, balance: Balance | None) -> dict[str, Any]:
    """Of one weighing, and whether it is supposed: by the last digit alone, until one is given."""
    given = details.standard_uncertainty_ug
    as_it_was = (
        balance is not None
        and balance.uncertainty_is_supposed
        and given == balance.standard_uncertainty_ug
    )
    supposed = given is None or as_it_was
    u_ug = rounding_ug(details.readability_ug) if supposed else given
    return {"standard_uncertainty_ug": u_ug, "uncertainty_is_supposed": supposed}


def _check_version(row: Row, version: int) -> None:
    row.refresh_from_db()
    if row.version != version:
        raise refuse("version_conflict", field="version", value=version)


def _check_party(details: PartyDetails, party: Party | None) -> None:
    check_label(Party, details, party)
    checked_text(details.contact, field="contact", limit=CONTACT_MAX)
    _check_choice(details.kind, Party.Kind.values, "kind")
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    is_house = details.kind == Party.Kind.HOUSE
    if house is not None and (is_house != (party == house)) and (is_house or party == house):
        raise refuse("one_house", field="kind", value=details.kind, house=house)


def _check_place(details: PlaceDetails, place: Place | None) -> None:
    check_label(Place, details, place)
    _check_choice(details.area, Place.Area.values, "area")
    if place is None or details.is_active:
        return
    standing = (
        Lot.objects.filter(
            place=place,
            state__in=[Lot.State.AVAILABLE, Lot.State.IN_PROCESS, Lot.State.QUARANTINED],
        )
        .order_by("id")
        .first()
    )
    if standing is not None:
        raise refuse("place_in_use", field="is_active", value=place.code, standing=standing.code)


def _check_balance(details: BalanceDetails, balance: Balance | None) -> None:
    check_label(Balance, details, balance)
    for name, least in (
        ("capacity_ug", 1),
        ("readability_ug", 1),
        ("standard_uncertainty_ug", 0),
    ):
        mass_ug = getattr(details, name)
        if mass_ug is not None and not least <= mass_ug <= MASS_UG_MAX:
            raise InvalidError(
                "This is not a mass that a balance has.",
                code="not_positive" if mass_ug < least else "too_large",
                field=name.removesuffix("_ug"),
                value=mass_ug,
                remedy="Enter what the balance's plate or certificate says; check the unit.",
            )


class Labelled(Protocol):
    """What every kind of reference data is told by."""

    @property
    def code(self) -> str: ...

    @property
    def name(self) -> str: ...


def check_label(
    model: type[Model], details: Labelled, row: Model | None, *, name_max: int = NAME_MAX
) -> None:
    """Refuses a code that is badly made or taken by another row than `row`, and a bad name."""
    checked_text(details.name, field="name", limit=name_max, required=True)
    code = checked_text(details.code, field="code", limit=CODE_MAX)
    if not code:
        return
    if not _CODE.fullmatch(code):
        raise refuse("bad_code:reference", field="code", value=code)
    others = model._default_manager.filter(code=code)
    if row is not None:
        others = others.exclude(pk=row.pk)
    if others.exists():
        raise refuse("duplicate_code:reference", field="code", value=code)


def _check_choice(value: str, choices: Collection[str], field: str) -> None:
    if value not in choices:
        raise refuse(
            "unknown_choice:reference", field=field, value=value, choices=", ".join(choices)
        )
