"""A customer's statement of account: metal in, out and left, and money, for a period."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Q, QuerySet, Sum

from lots.ledger.snapshot import unmoving
from lots.metals import Metal
from lots.models import ClaimEntry, Entry, Movement, Party
from reports.queries.account_money import MoneyAccount, money_accounts
from reports.queries.lot.sealed_results import Sealed, sealed_for
from reports.queries.sealed_lines import left_out

SIGNS: Final = (
    "Metal: positive adds to what the customer has with the works (lots kept apart and the claim "
    "on its pool together), negative takes from it. Money: positive is due to the customer, "
    "negative is due from them; what was paid to them is negative, what they paid is positive."
)
MONEY_RULE: Final = (
    "Money stands as each settlement rounded it and as each payment was entered; nothing is "
    "rounded here. Tax is left to the parties: this statement works out none."
)
DEFERENCE: Final = "Terms of the contract and local law decide."


@dataclass(frozen=True)
class MetalLine:
    """What one movement changed, and the balance after it, micrograms.

    `lots` are the customer's own, and what was given back to them; nobody else's are named.
    """

    occurred_at: dt.datetime
    movement: int
    kind: str
    lots: tuple[str, ...]
    change_ug: int
    balance_ug: int


@dataclass(frozen=True)
class MetalAccount:
    """One metal: `in_ug` and `out_ug` are the lines above and below nought, summed apart.

    opening + in + out = closing; of that, `kept_apart_ug` stands in the customer's own lots and
    `claim_ug` in the works' pool.
    """

    metal: str
    opening_ug: int
    in_ug: int
    out_ug: int
    closing_ug: int
    kept_apart_ug: int
    claim_ug: int
    lines: tuple[MetalLine, ...]


@dataclass(frozen=True)
class AccountStatement:
    """`withheld` says to the customer what is left out, and why."""

    customer: str
    customer_name: str
    starts_at: dt.datetime
    ends_at: dt.datetime
    metals: tuple[MetalAccount, ...]
    money: tuple[MoneyAccount, ...]
    withheld: str = ""
    signs: str = SIGNS
    money_rule: str = MONEY_RULE
    deference: str = DEFERENCE


@unmoving
def account_statement(
    customer: Party, starts_at: dt.datetime, ends_at: dt.datetime, *, is_theirs: bool = False
) -> AccountStatement:
    """The account from `starts_at` up to, not including, `ends_at`; the queries don't grow.

    With `is_theirs`, as the customer reads it: lots whose results are still being exchanged stand
    as they were declared.
    """
    sealed = sealed_for(customer) if is_theirs else Sealed(customer)
    shown = ~left_out(sealed) if sealed else Q()
    before = Q(occurred_at__lt=starts_at)
    within = Q(occurred_at__gte=starts_at, occurred_at__lt=ends_at)
    apart, claims = _sums(customer, before & shown)
    changes = _changes(customer, within & shown)
    apart_after, claims_after = _sums(customer, (before | within) & shown)
    wanted = {*apart, *claims, *apart_after, *claims_after, *(key[0] for key in changes)}
    movements = Movement.objects.in_bulk({key[1] for key in changes})
    codes = _lot_codes(customer, movements)
    accounts = []
    for metal in (each for each in Metal.values if each in wanted):
        opening = apart.get(metal, 0) + claims.get(metal, 0)
        of_metal = {pk: ug for (each, pk), ug in changes.items() if each == metal and ug}
        lines = _lines(opening, of_metal, movements, codes)
        closing = lines[-1].balance_ug if lines else opening
        kept, claim = apart_after.get(metal, 0), claims_after.get(metal, 0)
        assert closing == kept + claim, "the lines lead to the closing balance"
        accounts.append(
            MetalAccount(
                metal=metal,
                opening_ug=opening,
                in_ug=sum(line.change_ug for line in lines if line.change_ug > 0),
                out_ug=sum(line.change_ug for line in lines if line.change_ug < 0),
                closing_ug=closing,
                kept_apart_ug=kept,
                claim_ug=claim,
                lines=lines,
            )
        )
    return AccountStatement(
        customer=customer.code,
        customer_name=customer.name,
        starts_at=starts_at,
        ends_at=ends_at,
        metals=tuple(accounts),
        money=money_accounts(customer, starts_at, ends_at),
        withheld=sealed.words,
    )


def _entries(customer: Party) -> QuerySet[Entry, Any]:
    return Entry.objects.filter(owner=customer, lot__isnull=False).order_by()


def _sums(customer: Party, when: Q) -> tuple[dict[str, int], dict[str, int]]:
    """What was kept apart for the customer, and what the customer had in the pool, by metal."""
    apart = _entries(customer).filter(when)
    claims = ClaimEntry.objects.filter(when, owner=customer).order_by()
    return (
        dict(apart.values_list("metal").annotate(total=Sum("mass_ug"))),
        dict(claims.values_list("metal").annotate(total=Sum("mass_ug"))),
    )


def _changes(customer: Party, when: Q) -> dict[tuple[str, int], int]:
    """By metal and movement; joining the pool takes from one and adds as much to the other."""
    changes: dict[tuple[str, int], int] = defaultdict(int)
    claims = ClaimEntry.objects.filter(when, owner=customer).order_by()
    for rows in (_entries(customer).filter(when), claims):
        for metal, movement, total in rows.values_list("metal", "movement_id").annotate(
            total=Sum("mass_ug")
        ):
            changes[metal, movement] += total
    return dict(changes)


def _lines(
    opening: int,
    changes: dict[int, int],
    movements: dict[int, Movement],
    codes: dict[int, tuple[str, ...]],
) -> tuple[MetalLine, ...]:
    balance = opening
    lines = []
    for pk in sorted(changes, key=lambda pk: (movements[pk].occurred_at, movements[pk].sequence)):
        balance += changes[pk]
        movement = movements[pk]
        lines.append(
            MetalLine(
                occurred_at=movement.occurred_at,
                movement=movement.sequence,
                kind=movement.get_kind_display(),
                lots=codes.get(pk, ()),
                change_ug=changes[pk],
                balance_ug=balance,
            )
        )
    return tuple(lines)


def _lot_codes(customer: Party, movements: Iterable[int]) -> dict[int, tuple[str, ...]]:
    given_back = Q(
        movement__counterparty=customer,
        movement__kind__in=(Movement.Kind.RETURN, Movement.Kind.SHIPMENT),
    )
    rows = (
        Entry.objects.filter(
            Q(owner=customer) | given_back, movement__in=list(movements), lot__isnull=False
        )
        .order_by("movement_id", "lot__code")
        .values_list("movement_id", "lot__code")
        .distinct()
    )
    codes: dict[int, list[str]] = defaultdict(list)
    for movement, code in rows:
        if code is not None:
            codes[movement].append(code)
    return {movement: tuple(each) for movement, each in codes.items()}
