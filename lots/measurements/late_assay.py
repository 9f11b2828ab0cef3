"""Carries a late assay's difference to where the metal is by now.

The share of what is still in the lot stays there. The rest goes along each movement that took a
portion out, in proportion to what that movement brought in elsewhere, and so on from lot to lot. It
ends in a lot that still holds the metal; in the account the metal left to; in an open vessel; in
the difference account of a vessel that is done; or, where a lot's own assay says what came in, in
the difference account of the process that made that lot. A customer whose metal was commingled on
the way has the claim changed by the same share.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from functools import cache
from typing import Final

from django.db.models import Max

from lots.ledger import accounts
from lots.ledger.drafts import ClaimLine, Line
from lots.ledger.holdings import claims_of, holdings
from lots.measurements.carried_change import Step, carried, outgoing, placed, spread
from lots.measurements.ruling_assays import rulings_in_force
from lots.models import (
    Assay,
    ClaimEntry,
    Entry,
    Lot,
    LotStanding,
    MaterialEntry,
    Movement,
    Party,
    ProcessBatch,
)
from lots.queries.lot_story import Order, Passage, order_of, story_of
from lots.services.process_batches import difference_account_of

_KIND: Final = Movement.Kind
# What these bring out of a vessel or a bath is measured on its own, so no share of a change of what
# went in belongs to it; the vessel keeps the whole change.
_MEASURED_OUT: Final = {
    _KIND.BATCH_OUTPUT,
    _KIND.BATCH_CLOSE,
    _KIND.HARVEST,
    _KIND.RINSE,
    _KIND.REMNANT,
    _KIND.SLIMES,
    _KIND.ELECTROLYTE_STATE,
    _KIND.RUN_CLOSE,
}
# One movement of these kinds may touch several lots that have nothing to do with each other.
_TO_ACCOUNT: Final = {
    _KIND.WEIGHING_DIFFERENCE: accounts.WEIGHING_DIFFERENCE,
    _KIND.COUNT_ADJUSTMENT: accounts.COUNT_DIFFERENCE,
}
_EMPTY_HANDED: Final = {
    _KIND.SHIPMENT: accounts.SHIPPED,
    _KIND.RETURN: accounts.RETURNED,
    _KIND.WRITE_OFF: accounts.LOSS,
    _KIND.SAMPLING: accounts.SAMPLES_USED,
}
# What was made by these is put against their own process where its assay says something else.
_MADE_BY: Final = {
    _KIND.MELT: accounts.MELT_DIFFERENCE,
    _KIND.ELECTROLYTE: accounts.CELL_DIFFERENCE,
    _KIND.TOP_UP: accounts.CELL_DIFFERENCE,
    _KIND.BLEED: accounts.CELL_DIFFERENCE,
}
_VESSELS: Final = {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE}
# What a change of owner says of the customer's claim, in `Movement.cause`.
WITH_CLAIM: Final = "with_claim"

# A lot by its primary key, or an account by its code with the owner whose metal went there.
Target = int | tuple[str, int]


class LateAssay:
    """Follows the changes of one ruling, metal by metal, and gathers where they end."""

    def __init__(self, assay: Assay) -> None:
        self.assay = assay
        self.entered: dict[tuple[int, int, str], int] = defaultdict(int)
        self._lots: dict[tuple[int, str], int] = defaultdict(int)
        self._accounts: dict[tuple[str, int, str], int] = defaultdict(int)
        self._claims: dict[tuple[int, str], int] = defaultdict(int)
        self._lot = cache(Lot.objects.select_related("owner").get)
        self._story = cache(self._read_story)
        self._steps = cache(self._read_steps)
        self._owners = cache(self._read_owners)

    def follow(self, lot_id: int, metal: str, change_ug: int, entered_by: Movement) -> None:
        """Spreads a change of what came into a lot by `entered_by` over the lot and what left it.

        `entered` afterwards tells, by lot, movement and metal, how much went through each lot.
        """
        rest_ug = change_ug
        for passage, step in zip(self._story(lot_id), self._steps(lot_id, metal), strict=True):
            movement = passage.movement
            if order_of(movement) <= order_of(entered_by) or movement.kind in _MEASURED_OUT:
                continue
            if movement.kind == _KIND.CHANGE_OF_OWNER:
                self._change_owner(lot_id, movement, metal, rest_ug)
                continue
            gone_ug = carried(rest_ug, step)
            rest_ug -= gone_ug
            if gone_ug:
                self._pass_on(lot_id, movement, metal, gone_ug)
        if rest_ug:
            self._leave(lot_id, metal, rest_ug)

    def settle(self) -> tuple[list[Line], list[ClaimLine], dict[str, int]]:
        """The lines for lots and accounts, those for claims, and what could not be placed.

        Nothing is taken below zero. What a vessel is short of goes to its difference account, as
        its closing would do; what a customer's claim is short of the house bears.
        """
        held = holdings({lot_id for lot_id, _ in self._lots})
        unplaced: dict[str, int] = defaultdict(int)
        lines = []
        for (lot_id, metal), change_ug in sorted(self._lots.items()):
            lot = self._lot(pk=lot_id)
            kept_ug, short_ug = placed(change_ug, held[lot_id].metals.get(metal, 0))
            lines.append(self._line(metal, kept_ug, lot=lot))
            if short_ug and lot.form in _VESSELS:
                self._accounts[self._difference_of(lot), lot.owner_id, metal] += short_ug
            elif short_ug:
                unplaced[metal] += short_ug
        owners = Party.objects.in_bulk(
            {owner for _, owner, _ in self._accounts} | {owner for owner, _ in self._claims}
        )
        lines += [
            self._line(metal, change_ug, account=account, owner=owners[owner_id])
            for (account, owner_id, metal), change_ug in sorted(self._accounts.items())
        ]
        owed = {owner_id: claims_of(owners[owner_id]) for owner_id, _ in self._claims}
        claims = [
            ClaimLine(owners[owner_id], metal, placed(change_ug, owed[owner_id].get(metal, 0))[0])
            for (owner_id, metal), change_ug in sorted(self._claims.items())
        ]
        return [line for line in lines if line.mass_ug], claims, unplaced

    def latest_moment(self, moment: dt.datetime) -> dt.datetime:
        """`moment`, or the last movement of what is changed, if that is later.

        A difference is posted when it is known, which is after the metal has moved on.
        """
        lots = {lot_id for lot_id, _ in self._lots}
        owners = {owner_id for owner_id, _ in self._claims}
        last: list[dt.datetime | None] = [
            Entry.objects.filter(lot__in=lots).aggregate(at=Max("occurred_at"))["at"],
            MaterialEntry.objects.filter(lot__in=lots).aggregate(at=Max("occurred_at"))["at"],
            ClaimEntry.objects.filter(owner__in=owners).aggregate(at=Max("occurred_at"))["at"],
        ]
        return max([moment, *(each for each in last if each is not None)])

    def _line(self, metal: str, mass_ug: int, **where: object) -> Line:
        return Line(
            metal,
            mass_ug,
            basis=Entry.Basis.PROPORTION,
            content_by=self.assay,
            **where,  # type: ignore[arg-type]
        )

    def _pass_on(self, lot_id: int, movement: Movement, metal: str, gone_ug: int) -> None:
        giver = self._owner(lot_id, order_of(movement), before=True)
        for target, share_ug in spread(gone_ug, self._targets(lot_id, movement, metal)).items():
            if not share_ug:
                continue
            if isinstance(target, tuple):
                self._accounts[*target, metal] += share_ug
                if giver.is_house and movement.kind == _KIND.RETURN:
                    # The customer was given a share more (or less) than the claim was charged for.
                    self._claim(movement.counterparty, metal, -share_ug)
                continue
            taker = self._owner(target, order_of(movement))
            if taker.is_house and not giver.is_house:
                self._claim(giver, metal, share_ug)
            self._enter(target, metal, share_ug, movement)

    def _enter(self, lot_id: int, metal: str, change_ug: int, movement: Movement) -> None:
        lot = self._lot(pk=lot_id)
        if lot.form not in _VESSELS and self._measured_itself(lot, metal, movement):
            account = _MADE_BY.get(_KIND(movement.kind)) or self._difference_of(lot)
            self._accounts[account, lot.owner_id, metal] += change_ug
            return
        self.entered[lot_id, movement.pk, metal] += change_ug
        if lot.form in _VESSELS:
            self._leave(lot_id, metal, change_ug)
        else:
            self.follow(lot_id, metal, change_ug, movement)

    def _leave(self, lot_id: int, metal: str, change_ug: int) -> None:
        """The change ends with this lot: in it, or in its difference account when it is done."""
        lot = self._lot(pk=lot_id)
        is_done = (
            lot.state != Lot.State.IN_PROCESS
            if lot.form in _VESSELS
            else holdings([lot])[lot.pk].is_empty
        )
        if is_done:
            self._accounts[self._difference_of(lot), lot.owner_id, metal] += change_ug
        else:
            self._lots[lot_id, metal] += change_ug

    def _change_owner(self, lot_id: int, movement: Movement, metal: str, change_ug: int) -> None:
        """A lot that joined or left the pool with a claim: the claim follows its content."""
        if movement.cause != WITH_CLAIM:
            return
        old = self._owner(lot_id, order_of(movement), before=True)
        new = self._owner(lot_id, order_of(movement))
        self._claim(new if old.is_house else old, metal, -change_ug if old.is_house else change_ug)

    def _claim(self, owner: Party | None, metal: str, change_ug: int) -> None:
        if owner is not None:
            self._claims[owner.pk, metal] += change_ug

    def _targets(self, lot_id: int, movement: Movement, metal: str) -> dict[Target, int]:
        """Where the portion went, with weights: by the metal, else by material, else by account."""
        giver = self._owner(lot_id, order_of(movement), before=True)
        if movement.kind in _TO_ACCOUNT:
            return {(_TO_ACCOUNT[_KIND(movement.kind)], giver.pk): 1}
        entries = movement.entries.filter(mass_ug__gt=0).exclude(lot=lot_id)
        weights: dict[Target, int] = defaultdict(int)
        for entry in entries.filter(metal=metal).select_related("account"):
            weights[entry.lot_id or _account(entry)] += entry.mass_ug
        if weights:
            return weights
        for material in movement.material_entries.exclude(lot=lot_id):
            if material.mass_ug > 0 or material.volume_ul > 0:
                weights[material.lot_id] += max(material.mass_ug, 0) or material.volume_ul
        if weights:
            return weights
        for entry in entries.filter(account__isnull=False).select_related("account"):
            weights[_account(entry)] += entry.mass_ug
        account = _EMPTY_HANDED.get(_KIND(movement.kind), accounts.ASSAY_DIFFERENCE)
        return weights or {(account, giver.pk): 1}

    def _measured_itself(self, lot: Lot, metal: str, entered_by: Movement) -> bool:
        """Whether the lot's own assay of this metal says what it holds since that movement."""
        since = order_of(entered_by)
        ruled = rulings_in_force(lot).filter(assay__results__metal=metal)
        made = Movement.objects.filter(
            entries__lot=lot,
            entries__metal=metal,
            entries__content_by__lot=lot,
            reverses__isnull=True,
            reversed_by__isnull=True,
        ).exclude(kind=_KIND.ASSAY_DIFFERENCE)
        orders = [order_of(each.movement) for each in ruled.select_related("movement")]
        orders += [order_of(each) for each in made]
        return any(order >= since for order in orders)

    def _difference_of(self, lot: Lot) -> str:
        """The difference account of the process that a lot is, or that made it."""
        if lot.form == Lot.Form.IN_PROCESS:
            batch = ProcessBatch.objects.filter(vessel=lot).first()
            return accounts.PROCESS_DIFFERENCE if batch is None else difference_account_of(batch)
        if lot.form in {Lot.Form.ANODE_CHARGE, Lot.Form.ELECTROLYTE}:
            return accounts.CELL_DIFFERENCE
        return accounts.ASSAY_DIFFERENCE

    def _read_story(self, lot_id: int) -> list[Passage]:
        return story_of(self._lot(pk=lot_id))

    def _read_steps(self, lot_id: int, metal: str) -> list[Step]:
        return outgoing([passage.leg for passage in self._story(lot_id)], metal)

    def _read_owners(self, lot_id: int) -> list[tuple[Order, Party]]:
        rows = LotStanding.objects.filter(lot=lot_id).select_related("owner", "movement")
        return sorted(((order_of(row.movement), row.owner) for row in rows), key=lambda row: row[0])

    def _owner(self, lot_id: int, order: Order, *, before: bool = False) -> Party:
        """Whose the lot was just before, or from, that point in its story."""
        stood = self._owners(lot_id)
        owner = stood[0][1]
        for at, each in stood:
            if at < order or (at == order and not before):
                owner = each
        return owner


def _account(entry: Entry) -> tuple[str, int]:
    assert entry.account is not None
    return entry.account.code, entry.owner_id
