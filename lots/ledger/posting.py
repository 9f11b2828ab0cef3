"""The only writer of the ledger: checks a movement, then writes it whole or not at all."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from django.db import connection
from django.db.models import F

from config.refusals import refuse
from lots import clock
from lots.ledger.drafts import Draft, Line
from lots.ledger.holdings import AsOf, holdings
from lots.ledger.movement_rows import Written, digest_of
from lots.ledger.overdraft import check_not_below_zero
from lots.ledger.raw_sql import fetch, moment_of, placeholders
from lots.ledger.recording import Act, check_not_future
from lots.ledger.row_writer import insert_rows
from lots.ledger.standings import Owners, owners_from, standings_of
from lots.metals import Metal
from lots.models import (
    BooksMonth,
    ClaimEntry,
    Entry,
    Lot,
    LotStanding,
    MaterialEntry,
    Movement,
    Party,
)
from lots.services.changed_hands import check_held_by_owner
from lots.traces.keep_traces import look_after, mark_stale


@dataclass(frozen=True)
class _Posting:
    """What is known while one movement is being written."""

    draft: Draft
    moment: dt.datetime
    recorded_at: dt.datetime
    house_id: int
    owners: dict[int, Owners]


@dataclass(frozen=True)
class _Books:
    """Where the books stand: what each posting goes on from."""

    last_sequence: int
    last_digest: str
    last_recorded_at: dt.datetime | None
    house_id: int | None
    closed_until: dt.datetime | None
    traces_kept_until: dt.datetime | None


def _read_books() -> _Books:
    """All of it in one statement, which takes the ledger's lock as well.

    Services hold the lock already; it costs nothing to see to it here, where it matters.
    """
    lock = " FOR UPDATE OF head" if connection.features.has_select_for_update else ""
    ((sequence, digest, recorded_at, house_id, closed_until, kept_until),) = fetch(
        "SELECT last_sequence, last_digest, last_recorded_at, "
        "(SELECT MIN(id) FROM lots_party WHERE kind = 'house'), "
        "(SELECT MAX(ends_at) FROM lots_booksmonth WHERE state = 'closed'), "
        "(SELECT MAX(moment) FROM lots_tracecheckpoint WHERE NOT is_stale) "
        f"FROM lots_ledgerhead head WHERE id = 1{lock}"
    )
    return _Books(
        sequence,
        digest,
        moment_of(recorded_at) if recorded_at else None,
        house_id,
        moment_of(closed_until) if closed_until else None,
        moment_of(kept_until) if kept_until else None,
    )


def house() -> Party:
    """The works' own party. Raises ConflictError `no_house` before the works is set up."""
    party = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    if party is None:
        raise refuse("no_house")
    return party


def post(draft: Draft, act: Act) -> Movement:
    """Posts one movement with all its lines.

    Call it inside a service marked `recorded_once`. Refuses (nothing is written): a moment in the
    future (`in_the_future`) or in a closed month (`month_closed`); taking a lot, its mass or
    volume, or a customer's claim below zero at that moment or any later one (`lot_overdrawn`,
    `claim_overdrawn`, naming lot and date); leaving metal of an earlier owner in a lot that has
    changed hands (`changed_hands_since`). Lines that don't balance are our own mistake.
    """
    books = _read_books()
    now = clock.now()
    recorded_at = max(now, books.last_recorded_at or now)
    _check_balanced(draft)
    check_not_future(act.moment, recorded_at)
    _check_month_open(act.moment, books.closed_until)
    house_id = books.house_id or house().pk
    posting = _Posting(draft, act.moment, recorded_at, house_id, _owners(draft, act))
    entries = _entries(posting)
    written = Written(entries, _claims(posting, entries), _materials(posting), _standings(posting))
    check_not_below_zero(act.moment, posting.house_id, written)
    check_held_by_owner(act.moment, posting.owners, written)
    movement = _write(posting, act, books, written)
    _follow(draft, written)
    if books.traces_kept_until is not None and act.moment <= books.traces_kept_until:
        mark_stale(act.moment)
    look_after(movement)
    return movement


def _write(posting: _Posting, act: Act, books: _Books, written: Written) -> Movement:
    draft = posting.draft
    movement = Movement(
        sequence=books.last_sequence + 1,
        kind=draft.kind,
        stage=draft.stage,
        cause=draft.cause,
        occurred_at=posting.moment,
        recorded_at=posting.recorded_at,
        recorded_by_id=act.who.pk,
        counterparty=draft.counterparty,
        reverses=draft.reverses,
        refers_to=draft.refers_to,
        note=act.note,
    )
    movement.digest = digest_of(books.last_digest, movement, written)
    movement.save(force_insert=True)
    for model, rows in (
        (Entry, written.entries),
        (ClaimEntry, written.claims),
        (MaterialEntry, written.materials),
        (LotStanding, written.standings),
    ):
        for row in rows:
            row.movement = movement
        insert_rows(model, rows)
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE lots_ledgerhead "
            "SET last_sequence = %s, last_digest = %s, last_recorded_at = %s WHERE id = 1",
            [
                movement.sequence,
                movement.digest,
                connection.ops.adapt_datetimefield_value(posting.recorded_at),
            ],
        )
    return movement


def _owners(draft: Draft, act: Act) -> dict[int, Owners]:
    """Each lot's owners from the moment on; its standing's, for a lot that begins with this."""
    lots = {line.lot.pk for line in draft.lines if line.lot is not None}
    owners = owners_from(lots, act.moment)
    for standing in draft.standings:
        found = owners.get(standing.lot.pk, Owners(None))
        if found.then is None:
            owners[standing.lot.pk] = Owners(standing.owner.pk, found.later)
    for line in draft.lines:
        if line.lot is not None and owners.get(line.lot.pk, Owners(None)).then is None:
            raise refuse(
                "lot_not_there_yet:posting",
                field="occurred_at",
                value=act.moment.isoformat(),
                line=line.lot.code,
            )
    return owners


def _check_balanced(draft: Draft) -> None:
    sums: dict[str, int] = defaultdict(int)
    for line in draft.lines:
        assert (line.lot is None) != (not line.account), "a line is of a lot or of an account"
        assert line.metal in Metal.values
        sums[line.metal] += line.mass_ug
    unbalanced = {metal: total for metal, total in sums.items() if total}
    assert not unbalanced, f"movement does not balance: {unbalanced}"


def _check_month_open(moment: dt.datetime, closed_until: dt.datetime | None) -> None:
    """Months close in order, so a closed month also locks all before it.

    A movement there would change what the closed month opened with.
    """
    if closed_until is None or moment >= closed_until:
        return
    month = (
        BooksMonth.objects.filter(state=BooksMonth.State.CLOSED, ends_at__gt=moment)
        .order_by("first_day")
        .first()
    )
    raise refuse("month_closed", field="occurred_at", value=moment.isoformat(), month=month)


def _entries(posting: _Posting) -> list[Entry]:
    account_ids: dict[str, int] = {}
    if any(line.account for line in posting.draft.lines):
        account_ids = dict(fetch("SELECT code, id FROM lots_account"))
    return [
        Entry(
            lot=line.lot,
            account_id=account_ids[line.account] if line.account else None,
            owner_id=_owner_id(posting, line),
            metal=line.metal,
            mass_ug=line.mass_ug,
            standard_uncertainty_ug=line.standard_uncertainty_ug,
            basis=line.basis,
            quantity_by=line.quantity_by,
            content_by=line.content_by,
            occurred_at=posting.moment,
            recorded_at=posting.recorded_at,
        )
        for line in posting.draft.lines
        if line.mass_ug
    ]


def _owner_id(posting: _Posting, line: Line) -> int:
    if line.owner is not None:
        return line.owner.pk
    owner_id = posting.owners[line.lot.pk].then if line.lot is not None else posting.house_id
    assert owner_id is not None
    return owner_id


def _claims(posting: _Posting, entries: Sequence[Entry]) -> list[ClaimEntry]:
    """The customers' lines given, and the house's for the rest of what the pool gained or lost."""
    pool: dict[str, int] = defaultdict(int)
    for entry in entries:
        if entry.lot_id is not None and entry.owner_id == posting.house_id:
            pool[entry.metal] += entry.mass_ug
    wanted: dict[tuple[int, str], int] = defaultdict(int)
    for line in posting.draft.claims:
        wanted[line.owner.pk, line.metal] += line.mass_ug
        if line.owner.pk != posting.house_id:
            pool[line.metal] -= line.mass_ug
    for owner_metal in [key for key in wanted if key[0] == posting.house_id]:
        del wanted[owner_metal]
    for metal, rest in pool.items():
        wanted[posting.house_id, metal] = rest
    return [
        ClaimEntry(
            owner_id=owner_id,
            metal=metal,
            mass_ug=mass_ug,
            occurred_at=posting.moment,
            recorded_at=posting.recorded_at,
        )
        for (owner_id, metal), mass_ug in sorted(wanted.items())
        if mass_ug
    ]


def _materials(posting: _Posting) -> list[MaterialEntry]:
    return [
        MaterialEntry(
            lot=line.lot,
            mass_ug=line.mass_ug,
            volume_ul=line.volume_ul,
            quantity_by=line.quantity_by,
            occurred_at=posting.moment,
            recorded_at=posting.recorded_at,
        )
        for line in posting.draft.materials
        if line.mass_ug or line.volume_ul
    ]


def _standings(posting: _Posting) -> list[LotStanding]:
    return [
        LotStanding(
            lot=line.lot,
            place=line.place,
            owner=line.owner,
            occurred_at=posting.moment,
            recorded_at=posting.recorded_at,
        )
        for line in posting.draft.standings
    ]


def _follow(draft: Draft, written: Written) -> None:
    """Brings the lots' own columns in step: owner and place by standing, state by what they hold.

    A lot that holds nothing more is spent; one that holds something again is in use again. What
    was only raised holds something, so its balance is not asked for.
    """
    lots = {line.lot.pk: line.lot for line in draft.lines if line.lot is not None}
    lots |= {line.lot.pk: line.lot for line in draft.materials}
    lots |= {line.lot.pk: line.lot for line in draft.standings}
    if not lots:
        return
    # On trial (lots/sheets/trial.py) a new lot has no row: it is taken as it was made.
    stored = {pk: (lot.state, lot.owner_id, lot.place_id) for pk, lot in lots.items()}
    stored |= {
        pk: (state, owner_id, place_id)
        for pk, state, owner_id, place_id in fetch(
            f"SELECT id, state, owner_id, place_id FROM lots_lot WHERE id IN {placeholders(lots)}",
            list(lots),
        )
    }
    standings = standings_of([line.lot for line in draft.standings], AsOf())
    doubtful = [
        pk for pk, lot in lots.items() if stored[pk][0] not in _IN_USE or not _raised(pk, written)
    ]
    held = holdings(doubtful)
    for pk, lot in lots.items():
        state, owner_id, place_id = stored[pk]
        if pk in held:
            state = _state_after(lot, state, held[pk].is_empty)
        if pk in standings:
            owner_id, place_id = standings[pk].owner_id, standings[pk].place_id
        if (state, owner_id, place_id) != stored[pk]:
            Lot.objects.filter(pk=pk).update(
                state=state, owner_id=owner_id, place_id=place_id, version=F("version") + 1
            )
        lot.state, lot.owner_id, lot.place_id = state, owner_id, place_id


def _raised(lot_id: int, written: Written) -> bool:
    """Whether the movement adds to a lot and takes nothing away from it."""
    changes = [entry.mass_ug for entry in written.entries if entry.lot_id == lot_id]
    for material in written.materials:
        if material.lot_id == lot_id:
            changes += [material.mass_ug, material.volume_ul]
    return any(change > 0 for change in changes) and min(changes) >= 0


def _state_after(lot: Lot, state: str, is_empty: bool) -> str:
    if is_empty:
        return Lot.State.SPENT if state in _IN_USE else state
    if state in _IN_USE:
        return state
    return Lot.State.IN_PROCESS if lot.form in _VESSELS else Lot.State.AVAILABLE


_IN_USE: Final = {Lot.State.AVAILABLE, Lot.State.IN_PROCESS, Lot.State.QUARANTINED}
_VESSELS: Final = {Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE}
