"""The records of a settlement: what it is reckoned from, its lines, and how two of them differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from reports.assay_exchange import Branch
from reports.terms import Terms


@dataclass(frozen=True)
class Evidence:
    """What a figure rests on: its kind and number.

    Kinds are "weighing", "assay", "declared", "term", "price", "user".
    """

    kind: str
    ref: str
    text: str = ""


@dataclass(frozen=True)
class Figure:
    """A value as it comes in, with what it rests on."""

    value: Decimal
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class MetalFigures:
    """One metal's results (parts per thousand) and fixings (money per troy ounce).

    `declared` stands in for results that are still to be exchanged.
    """

    metal: str
    house: Figure | None = None
    counterparty: Figure | None = None
    umpire: Figure | None = None
    declared: Figure | None = None
    fixings: tuple[Figure, ...] = ()


@dataclass(frozen=True)
class Case:
    """All that one settlement is reckoned from. `impurities_ppt` by element; `tax` by the user.

    `moisture_ppt` is of the weight received, for terms that settle on the dry weight.
    """

    terms: Terms
    weight_g: Figure
    metals: tuple[MetalFigures, ...]
    impurities_ppt: Mapping[str, Figure] = field(default_factory=dict)
    tax: Figure | None = None
    is_provisional: bool = False
    moisture_ppt: Figure | None = None


@dataclass(frozen=True)
class Line:
    """One line: an input (no formula) or a figure worked out from lines above it."""

    key: str
    section: str
    label: str
    value: Decimal
    unit: str
    formula: str = ""
    rounding: str = ""
    note: str = ""
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class Statement:
    """The lines in order, the metal payable (micrograms) and the money due (see `SIGNS`)."""

    lines: tuple[Line, ...]
    payable_ug: dict[str, int]
    total: Decimal
    currency: str
    branches: dict[str, Branch]

    def line(self, key: str) -> Line:
        return next(each for each in self.lines if each.key == key)


@dataclass(frozen=True)
class Change:
    """One line of two statements, and by how much the later is above the earlier."""

    key: str
    label: str
    unit: str
    before: Decimal | None
    after: Decimal | None
    difference: Decimal


def changes(before: Statement, after: Statement) -> tuple[Change, ...]:
    """The lines that differ, inputs too; a line that is in one statement only counts as nought."""
    one = {line.key: line for line in before.lines}
    two = {line.key: line for line in after.lines}
    found = []
    for key in {**one, **two}:
        was, now = one.get(key), two.get(key)
        line = now or was
        assert line is not None
        zero = Decimal(0)
        difference = (now.value if now else zero) - (was.value if was else zero)
        if difference:
            found.append(
                Change(
                    key=key,
                    label=f"{line.section}: {line.label}",
                    unit=line.unit,
                    before=was.value if was else None,
                    after=now.value if now else None,
                    difference=difference,
                )
            )
    return tuple(found)
