"""A customer's contract terms: what a settlement is reckoned by, read from plain data and back.

Every figure is the parties' own agreement; nothing here says what a contract should hold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any, Final, get_args, get_origin, get_type_hints

from config.refusals import InvalidError, RefusalError, refuse
from lots.elements import METALS
from lots.fineness import WHOLE_PPT
from lots.units import parse_decimal
from reports.assay_exchange import UmpireRule
from reports.json_ready import json_ready

MONEY_MAX: Final = Decimal(1_000_000)
DECIMALS_MAX: Final = 6
LIST_MAX: Final = 20
TEXT_MAX: Final = 40
DAYS_MAX: Final = 366
# A figure with the most it may be; none is below nought, and one that says no more is money.
Ppt = Annotated[Decimal, WHOLE_PPT]
Percent = Annotated[Decimal, Decimal(100)]
Days = Annotated[int, DAYS_MAX]
Decimals = Annotated[int, DECIMALS_MAX]
NOUGHT: Final = Decimal(0)


class WeightBasis(StrEnum):
    """Which weight is settled on: as received, that less its moisture, or after the melt."""

    RECEIVED = "received"
    RECEIVED_DRY = "received_dry"
    AFTER_MELT = "after_melt"


class SamplingBasis(StrEnum):
    """Of what the sample was taken whose assay counts; any unless the parties agreed on one."""

    ANY = "any"
    RECEIVED = "received"
    AFTER_MELT = "after_melt"


class SettleIn(StrEnum):
    METAL = "metal"
    MONEY = "money"


class PriceBasis(StrEnum):
    """The price of the day the lot came in, or the average of fixings in a quotational period."""

    DAY = "day"
    AVERAGE = "average"


@dataclass(frozen=True)
class AccountTier:
    """From a grade on: per cent of the content accounted for, and the least deducted from it."""

    from_ppt: Ppt = NOUGHT
    percent: Percent = Decimal(100)
    minimum_deduction_ppt: Ppt = NOUGHT


@dataclass(frozen=True, kw_only=True)
class MetalTerms:
    """What is agreed for one metal. The refining charge is per troy ounce payable."""

    metal: str
    splitting_limit_ppt: Ppt = NOUGHT
    umpire_rule: UmpireRule = UmpireRule.MIDDLE
    accountability: tuple[AccountTier, ...] = (AccountTier(),)
    refining_charge_per_ozt: Decimal = NOUGHT


@dataclass(frozen=True, kw_only=True)
class TreatmentTier:
    """From a received weight on: the charge per kilogram of the whole lot."""

    from_kg: Decimal = NOUGHT
    per_kg: Decimal


@dataclass(frozen=True)
class Penalty:
    """For an element above a limit: the charge per part in a thousand above it and kilogram."""

    element: str
    limit_ppt: Ppt
    per_ppt_and_kg: Decimal


@dataclass(frozen=True)
class QuotationalPeriod:
    """Fixings of so many days, beginning so many days after the lot came in."""

    days_after_receipt: Days = 0
    days: Days = 1


@dataclass(frozen=True)
class Rounding:
    """Decimals of each figure on a statement; halves away from zero throughout."""

    assay_ppt: Decimals = 3
    payable_ppt: Decimals = 4
    ounces: Decimals = 3
    price: Decimals = 4
    money: Decimals = 2


@dataclass(frozen=True, kw_only=True)
class Terms:
    """All that a settlement is reckoned by, besides weights, assays and prices."""

    weight_basis: WeightBasis = WeightBasis.RECEIVED
    sampling_basis: SamplingBasis = SamplingBasis.ANY
    exchanged: bool = True
    metals: tuple[MetalTerms, ...]
    treatment: tuple[TreatmentTier, ...] = ()
    treatment_minimum: Decimal = NOUGHT
    penalties: tuple[Penalty, ...] = ()
    assay_fee: Decimal = NOUGHT
    umpire_fee: Decimal = NOUGHT
    settle_in: SettleIn = SettleIn.METAL
    currency: str
    price_basis: PriceBasis = PriceBasis.DAY
    period: QuotationalPeriod = QuotationalPeriod()
    provisional_percent: Percent = Decimal(100)
    rounding: Rounding = Rounding()

    def of_metal(self, metal: str) -> MetalTerms | None:
        return next((each for each in self.metals if each.metal == metal), None)


def terms_as_json(terms: Terms) -> dict[str, Any]:
    """Plain data that `parse_terms` reads back to equal terms."""
    plain: dict[str, Any] = json_ready(terms)
    return plain


def parse_terms(data: object, *, field: str = "terms") -> Terms:
    """Terms from plain data (decimals as text). What is left out takes the plainest value.

    Raises InvalidError naming the field at fault: `missing`, `unknown_field`, `unknown_choice`,
    `unknown_metal`, `duplicate_metal`, `not_in_order`, `too_many`, `not_an_object`, or what
    `parse_decimal` raises.
    """
    terms: Terms = _read(Terms, data, field)
    if not terms.metals:
        raise _missing(f"{field}.metals")
    _check_distinct([each.metal for each in terms.metals], f"{field}.metals")
    _check_rising([each.from_kg for each in terms.treatment], f"{field}.treatment")
    _check_distinct([each.element for each in terms.penalties], f"{field}.penalties")
    currency = terms.currency
    if len(currency) != 3 or not (currency.isascii() and currency.isalpha() and currency.isupper()):
        raise refuse("not_a_currency", field=f"{field}.currency", value=currency)
    metals = tuple(_checked(each, f"{field}.metals.{n}") for n, each in enumerate(terms.metals))
    period = replace(terms.period, days=max(1, terms.period.days))
    return replace(terms, metals=metals, period=period)


def _checked(metal: MetalTerms, path: str) -> MetalTerms:
    _check_rising([each.from_ppt for each in metal.accountability], f"{path}.accountability")
    if metal.metal not in METALS:
        raise refuse(
            "unknown_metal:terms",
            field=f"{path}.metal",
            value=metal.metal,
            metals=", ".join(METALS),
        )
    return metal if metal.accountability else replace(metal, accountability=(AccountTier(),))


def _read(kind: Any, data: Any, path: str) -> Any:
    """A dataclass of the plain data: each field by its type, or as it is when it is left out."""
    if not isinstance(data, Mapping):
        raise refuse("not_an_object:terms", field=path, value=data)
    known = {each.name: each for each in fields(kind)}
    for name in data:
        if name not in known:
            it = ", ".join(sorted(known))
            raise refuse("unknown_field", field=f"{path}.{name}", value=name, it=it)
    hints = get_type_hints(kind, include_extras=True)
    values = {}
    for name, each in known.items():
        if name in data:
            values[name] = _value(hints[name], data[name], f"{path}.{name}")
        elif each.default is MISSING:
            left_out: Any = [] if get_origin(hints[name]) is tuple else None
            values[name] = _value(hints[name], left_out, f"{path}.{name}")
    return kind(**values)


def _value(kind: Any, value: Any, path: str) -> Any:
    most: Any = MONEY_MAX
    if get_origin(kind) is Annotated:
        kind, most = get_args(kind)
    if get_origin(kind) is tuple:
        return _items(get_args(kind)[0], value, path)
    if is_dataclass(kind):
        return _read(kind, value, path)
    if kind is bool and not isinstance(value, bool):
        raise _unknown_choice(value, ["true", "false"], path)
    if value is None:
        raise _missing(path)
    if kind in (Decimal, int):
        decimals = {"decimals_max": 0} if kind is int else {}
        found = parse_decimal(value, field=path, minimum=NOUGHT, maximum=Decimal(most), **decimals)
        return kind(found)
    if kind is str:
        if not isinstance(value, str) or not value.strip() or len(value) > TEXT_MAX:
            raise refuse("not_a_text", field=path, value=value)
        return value.strip()
    if kind is not bool and value not in list(kind):
        raise _unknown_choice(value, list(kind), path)
    return kind(value)


def _items(kind: Any, value: Any, path: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple) or len(value) > LIST_MAX:
        raise InvalidError(
            f"This must be a list of at most {LIST_MAX}.",
            code="too_many" if isinstance(value, list | tuple) else "not_a_list",
            field=path,
            remedy="Send a list of objects.",
        )
    return tuple(_read(kind, each, f"{path}.{index}") for index, each in enumerate(value))


def _unknown_choice(value: object, choices: Sequence[str], path: str) -> RefusalError:
    return refuse("unknown_choice:terms_2", field=path, value=value, choices=", ".join(choices))


def _missing(field: str) -> RefusalError:
    return refuse("missing", field=field)


def _check_distinct(names: Sequence[str], field: str) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            raise refuse("duplicate_metal", field=f"{field}.{index}", value=name)


def _check_rising(starts: Sequence[Decimal], field: str) -> None:
    """Tiers begin at nought and rise, so that every lot falls in exactly one."""
    for index, start in enumerate(starts):
        if (start != 0) if index == 0 else (start <= starts[index - 1]):
            raise refuse("not_in_order", field=f"{field}.{index}", value=start)
