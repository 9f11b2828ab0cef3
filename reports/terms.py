"""A customer's contract terms: what a settlement is reckoned by, read from plain data and back.

Every figure is the parties' own agreement; nothing here says what a contract should hold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any, Final

from config.refusals import InvalidError, RefusalError, refuse
from lots.elements import METALS
from lots.fineness import WHOLE_PPT
from lots.units import parse_decimal
from reports.assay_exchange import UmpireRule
from reports.json_ready import json_ready

MONEY_MAX: Final = Decimal(1_000_000)
DECIMALS_MAX: Final = 6
LIST_MAX: Final = 20
DAYS_MAX: Final = 366


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

    from_ppt: Decimal
    percent: Decimal
    minimum_deduction_ppt: Decimal


@dataclass(frozen=True)
class MetalTerms:
    """What is agreed for one metal. The refining charge is per troy ounce payable."""

    metal: str
    splitting_limit_ppt: Decimal
    umpire_rule: UmpireRule
    accountability: tuple[AccountTier, ...]
    refining_charge_per_ozt: Decimal


@dataclass(frozen=True)
class TreatmentTier:
    """From a received weight on: the charge per kilogram of the whole lot."""

    from_kg: Decimal
    per_kg: Decimal


@dataclass(frozen=True)
class Penalty:
    """For an element above a limit: the charge per part in a thousand above it and kilogram."""

    element: str
    limit_ppt: Decimal
    per_ppt_and_kg: Decimal


@dataclass(frozen=True)
class QuotationalPeriod:
    """Fixings of so many days, beginning so many days after the lot came in."""

    days_after_receipt: int
    days: int


@dataclass(frozen=True)
class Rounding:
    """Decimals of each figure on a statement; halves away from zero throughout."""

    assay_ppt: int = 3
    payable_ppt: int = 4
    ounces: int = 3
    price: int = 4
    money: int = 2


@dataclass(frozen=True)
class Terms:
    """All that a settlement is reckoned by, besides weights, assays and prices."""

    weight_basis: WeightBasis
    sampling_basis: SamplingBasis
    exchanged: bool
    metals: tuple[MetalTerms, ...]
    treatment: tuple[TreatmentTier, ...]
    treatment_minimum: Decimal
    penalties: tuple[Penalty, ...]
    assay_fee: Decimal
    umpire_fee: Decimal
    settle_in: SettleIn
    currency: str
    price_basis: PriceBasis
    period: QuotationalPeriod
    provisional_percent: Decimal
    rounding: Rounding

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
    given = _Given(data, field, set(Terms.__dataclass_fields__))
    metals = tuple(_metal(each) for each in given.items("metals", set(_METAL_FIELDS)))
    if not metals:
        raise _missing(f"{field}.metals")
    _check_distinct([each.metal for each in metals], f"{field}.metals")
    treatment = tuple(
        TreatmentTier(each.decimal("from_kg", "0"), each.decimal("per_kg"))
        for each in given.items("treatment", {"from_kg", "per_kg"})
    )
    _check_rising([each.from_kg for each in treatment], f"{field}.treatment")
    penalties = tuple(
        Penalty(each.text("element"), each.ppt("limit_ppt"), each.decimal("per_ppt_and_kg"))
        for each in given.items("penalties", {"element", "limit_ppt", "per_ppt_and_kg"})
    )
    _check_distinct([each.element for each in penalties], f"{field}.penalties")
    return Terms(
        weight_basis=WeightBasis(given.choice("weight_basis", list(WeightBasis), "received")),
        sampling_basis=SamplingBasis(given.choice("sampling_basis", list(SamplingBasis), "any")),
        exchanged=given.yes("exchanged", default=True),
        metals=metals,
        treatment=treatment,
        treatment_minimum=given.decimal("treatment_minimum", "0"),
        penalties=penalties,
        assay_fee=given.decimal("assay_fee", "0"),
        umpire_fee=given.decimal("umpire_fee", "0"),
        settle_in=SettleIn(given.choice("settle_in", list(SettleIn), "metal")),
        currency=given.currency(),
        price_basis=PriceBasis(given.choice("price_basis", list(PriceBasis), "day")),
        period=_period(given),
        provisional_percent=given.decimal("provisional_percent", "100", Decimal(100)),
        rounding=_rounding(given),
    )


_METAL_FIELDS: Final = tuple(MetalTerms.__dataclass_fields__)


@dataclass(frozen=True)
class _Given:
    """One object of the plain data, with the path that names its fields in a refusal."""

    data: Any
    path: str
    fields: set[str]

    def __post_init__(self) -> None:
        if not isinstance(self.data, Mapping):
            raise refuse("not_an_object:terms", field=self.path, value=self.data)
        for name in self.data:
            if name not in self.fields:
                raise refuse(
                    "unknown_field",
                    field=f"{self.path}.{name}",
                    value=name,
                    it=", ".join(sorted(self.fields)),
                )

    def decimal(self, name: str, default: str | None = None, most: Decimal = MONEY_MAX) -> Decimal:
        value = self._get(name, default)
        return parse_decimal(value, field=f"{self.path}.{name}", minimum=Decimal(0), maximum=most)

    def ppt(self, name: str, default: str | None = None) -> Decimal:
        return self.decimal(name, default, WHOLE_PPT)

    def whole(self, name: str, default: int, most: int) -> int:
        path = f"{self.path}.{name}"
        value = self._get(name, str(default))
        return int(
            parse_decimal(
                value, field=path, minimum=Decimal(0), maximum=Decimal(most), decimals_max=0
            )
        )

    def text(self, name: str) -> str:
        value = self._get(name, None)
        if not isinstance(value, str) or not value.strip() or len(value) > 40:
            raise refuse("not_a_text", field=f"{self.path}.{name}", value=value)
        return value.strip()

    def yes(self, name: str, *, default: bool) -> bool:
        value = self.data.get(name, default)
        if not isinstance(value, bool):
            raise self._unknown_choice(name, value, ["true", "false"])
        return value

    def choice(self, name: str, choices: Sequence[str], default: str | None = None) -> str:
        value = self._get(name, default)
        if value not in list(choices):
            raise self._unknown_choice(name, value, choices)
        return str(value)

    def currency(self) -> str:
        value = self.text("currency")
        if len(value) != 3 or not value.isascii() or not value.isalpha() or not value.isupper():
            raise refuse("not_a_currency", field=f"{self.path}.currency", value=value)
        return value

    def items(self, name: str, fields: set[str]) -> list[_Given]:
        value = self.data.get(name, [])
        path = f"{self.path}.{name}"
        if not isinstance(value, list | tuple) or len(value) > LIST_MAX:
            raise InvalidError(
                f"This must be a list of at most {LIST_MAX}.",
                code="too_many" if isinstance(value, list | tuple) else "not_a_list",
                field=path,
                remedy="Send a list of objects.",
            )
        return [_Given(each, f"{path}.{index}", fields) for index, each in enumerate(value)]

    def part(self, name: str, fields: set[str]) -> _Given:
        return _Given(self.data.get(name, {}), f"{self.path}.{name}", fields)

    def _get(self, name: str, default: str | None) -> Any:
        value = self.data.get(name, default)
        if value is None:
            raise _missing(f"{self.path}.{name}")
        return value

    def _unknown_choice(self, name: str, value: object, choices: Sequence[str]) -> RefusalError:
        return refuse(
            "unknown_choice:terms_2",
            field=f"{self.path}.{name}",
            value=value,
            choices=", ".join(choices),
        )


def _metal(given: _Given) -> MetalTerms:
    tiers = tuple(
        AccountTier(
            each.ppt("from_ppt", "0"),
            each.decimal("percent", "100", Decimal(100)),
            each.ppt("minimum_deduction_ppt", "0"),
        )
        for each in given.items("accountability", set(AccountTier.__dataclass_fields__))
    )
    _check_rising([each.from_ppt for each in tiers], f"{given.path}.accountability")
    metal = given.text("metal")
    if metal not in METALS:
        raise refuse(
            "unknown_metal:terms",
            field=f"{given.path}.metal",
            value=metal,
            metals=", ".join(METALS),
        )
    return MetalTerms(
        metal=metal,
        splitting_limit_ppt=given.ppt("splitting_limit_ppt", "0"),
        umpire_rule=UmpireRule(given.choice("umpire_rule", list(UmpireRule), "middle")),
        accountability=tiers or (AccountTier(Decimal(0), Decimal(100), Decimal(0)),),
        refining_charge_per_ozt=given.decimal("refining_charge_per_ozt", "0"),
    )


def _period(given: _Given) -> QuotationalPeriod:
    part = given.part("period", {"days_after_receipt", "days"})
    return QuotationalPeriod(
        days_after_receipt=part.whole("days_after_receipt", 0, DAYS_MAX),
        days=max(1, part.whole("days", 1, DAYS_MAX)),
    )


def _rounding(given: _Given) -> Rounding:
    names = set(Rounding.__dataclass_fields__)
    part = given.part("rounding", names)
    plain = Rounding()
    return Rounding(
        **{name: part.whole(name, getattr(plain, name), DECIMALS_MAX) for name in names}
    )


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
