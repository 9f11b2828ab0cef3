"""A long and consistent history of a works, written in bulk (all of it invented).

Beside `post()` this is the one place that writes the ledger's rows, so that a million entries take
a minute instead of hours. For benchmarks only; `manage.py check_ledger` must find nothing in it.

One round is a receipt, a split, a melt to granules with what it lost, and a second process batch:
up to 32 entries in eight movements. Every third receipt is a customer's, whose metal is then
commingled and becomes a claim.
"""

from __future__ import annotations

import datetime as dt
import itertools
import random
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, Final

from django.db import transaction

from lots.codes import make_code
from lots.ledger.digests import (
    CLAIM_COLUMNS,
    ENTRY_COLUMNS,
    MATERIAL_COLUMNS,
    MOVEMENT_COLUMNS,
    STANDING_COLUMNS,
    chained_digest,
)
from lots.ledger.sealing import seal_waiting
from lots.models import (
    Account,
    ClaimEntry,
    Entry,
    LedgerHead,
    Lot,
    LotNumber,
    LotStanding,
    MaterialEntry,
    Measurement,
    Movement,
    ProcessBatch,
    Weighing,
)
from tests.bench.bulk_rows import Table, finish

ENTRIES_PER_ROUND_MIN: Final = 28
MOVEMENTS_PER_ROUND: Final = 8
YEARS: Final = 3

Amounts = dict[str, int]


@dataclass
class Lines:
    """The lines of one movement before it is written; amounts in micrograms."""

    entries: list[dict[str, Any]] = field(default_factory=list)
    materials: list[dict[str, Any]] = field(default_factory=list)
    standings: list[dict[str, Any]] = field(default_factory=list)
    claims: dict[tuple[int, str], int] = field(default_factory=lambda: defaultdict(int))

    def move(self, metals: Amounts, giver: dict[str, Any], taker: dict[str, Any]) -> None:
        for metal, ug in metals.items():
            self.entries += [
                {**giver, "metal": metal, "mass_ug": -ug},
                {**taker, "metal": metal, "mass_ug": ug},
            ]


class History:
    """Fills the tables round by round, chaining each movement to the one before."""

    def __init__(self, works: SimpleNamespace, until: dt.datetime, rounds: int, seed: int) -> None:
        self.works = works
        self.draw = random.Random(seed)
        self.tables = {
            model: Table(model)
            for model in (
                Lot,
                Measurement,
                Weighing,
                Movement,
                Entry,
                ClaimEntry,
                MaterialEntry,
                LotStanding,
                ProcessBatch,
            )
        }
        self.head = LedgerHead.objects.get()
        self.accounts = dict(Account.objects.values_list("code", "pk"))
        self.numbers: dict[tuple[str, int], int] = defaultdict(int)
        self.until = until
        self.step = dt.timedelta(days=365 * YEARS) / (rounds * MOVEMENTS_PER_ROUND + 1)
        self.moment = until - dt.timedelta(days=365 * YEARS)

    def write(self, entries: int) -> None:
        for number in itertools.count():
            if self.tables[Entry].count >= entries:
                break
            self.round(number)
        self.finish()

    def finish(self) -> None:
        """Writes what waits, and leaves the ledger's head and the lots' numbers as they are."""
        finish(list(self.tables.values()))
        LotNumber.objects.bulk_create(
            LotNumber(prefix=prefix, year=year, last_number=last)
            for (prefix, year), last in self.numbers.items()
        )
        self.head.save()
        seal_waiting()

    def round(self, number: int) -> None:
        customers = (self.works.brackwater, self.works.pellow)
        party = customers[number % 2]
        owner = party if number % 3 == 0 else self.works.house
        mass_ug = self.draw.randrange(50_000_000, 5_000_000_000, 2)
        received = self.receipt(party, owner, mass_ug)
        half = self.split(received)
        granules = self.batch("granulating", half, "granules", out_of_1000=997)
        if number % 4:
            self.batch("parting", granules, "fine_crystal", out_of_1000=999)
        else:
            self.batch("melt", granules, "residue", out_of_1000=1000)

    def receipt(self, party: Any, owner: Any, mass_ug: int) -> dict[str, Any]:
        lot = self.lot("feed", owner, "available", "declared", received_from_id=party.pk)
        weighing = self.weighing(lot, mass_ug, "receipt")
        silver = mass_ug * self.draw.randrange(600, 930) // 1000
        metals = {"Ag": silver, "Cu": (mass_ug - silver) // 2}
        lines = Lines()
        lines.move(
            metals,
            self.outside("received", party, "declared", quantity_by_id=weighing),
            self.inside(lot, owner, "declared", quantity_by_id=weighing),
        )
        lines.materials.append({"lot_id": lot, "mass_ug": mass_ug, "quantity_by_id": weighing})
        lines.standings.append(self.standing(lot, "feed-shelf", owner))
        self.movement("receipt", "receipt", lines, counterparty_id=party.pk)
        return {"lot": lot, "owner": owner, "metals": metals, "mass_ug": mass_ug}

    def split(self, whole: dict[str, Any]) -> dict[str, Any]:
        """Half of the lot gets a label of its own; the rest stays under the old one for good."""
        owner, mass_ug = whole["owner"], whole["mass_ug"] // 2
        metals = {metal: ug // 2 for metal, ug in whole["metals"].items()}
        self.next_moment()
        lot = self.lot("feed", owner, "spent", "by_proportion")
        lines = Lines()
        lines.move(metals, self.inside(whole["lot"], owner), self.inside(lot, owner))
        lines.materials += [
            {"lot_id": whole["lot"], "mass_ug": -mass_ug},
            {"lot_id": lot, "mass_ug": mass_ug},
        ]
        lines.standings.append(self.standing(lot, "feed-shelf", owner))
        self.movement("split", "store", lines, stay=True)
        return {"lot": lot, "owner": owner, "metals": metals, "mass_ug": mass_ug}

    def batch(
        self, kind: str, given: dict[str, Any], form: str, *, out_of_1000: int
    ) -> dict[str, Any]:
        """All of a lot into a vessel of the house's pool, most of it out again, the rest told."""
        house = self.works.house
        metals, owner = given["metals"], given["owner"]
        self.next_moment()
        started_at = self.moment
        vessel = self.lot("in_process", house, "spent", "by_proportion")
        lines = Lines()
        lines.move(metals, self.inside(given["lot"], owner), self.inside(vessel, house))
        lines.materials += [
            {"lot_id": given["lot"], "mass_ug": -given["mass_ug"]},
            {"lot_id": vessel, "mass_ug": given["mass_ug"]},
        ]
        lines.standings.append(self.standing(vessel, "melt-bench", house))
        if owner != house:
            for metal, ug in metals.items():
                lines.claims[owner.pk, metal] += ug
        self.movement("batch_input", "receipt", lines, stay=True)

        out = {metal: ug * out_of_1000 // 1000 for metal, ug in metals.items()}
        out_ug = given["mass_ug"] * out_of_1000 // 1000
        self.next_moment()
        state = "spent" if form == "granules" else "available"
        output = self.lot(form, house, state, "declared")
        weighing = self.weighing(output, out_ug, "output")
        lines = Lines()
        taker = self.inside(output, house, "declared", quantity_by_id=weighing)
        lines.move(out, self.inside(vessel, house), taker)
        lines.materials += [
            {"lot_id": output, "mass_ug": out_ug, "quantity_by_id": weighing},
            {"lot_id": vessel, "mass_ug": -out_ug},
        ]
        lines.standings.append(self.standing(output, "fine-safe", house))
        self.movement("batch_output", "receipt", lines, stay=True)

        self.next_moment()
        lines = Lines()
        rest = {metal: ug - out[metal] for metal, ug in metals.items() if ug != out[metal]}
        lost = self.outside("melt-difference", house, "difference")
        lines.move(rest, self.inside(vessel, house, "difference"), lost)
        lines.materials.append({"lot_id": vessel, "mass_ug": out_ug - given["mass_ug"]})
        if out_ug == given["mass_ug"]:
            lines.materials.clear()
        closing = self.movement("batch_close", "receipt", lines, stay=True)
        self.tables[ProcessBatch].add(
            code=self.code("PB"),
            kind=kind,
            state="closed",
            vessel_id=vessel,
            started_at=started_at,
            closed_at=self.moment,
            started_by_id=self.works.operator.pk,
            closing_movement_id=closing,
        )
        return {"lot": output, "owner": house, "metals": out, "mass_ug": out_ug}

    def movement(
        self, kind: str, stage: str, lines: Lines, *, stay: bool = False, **more: Any
    ) -> int:
        if not stay:
            self.next_moment()
        for line in (*lines.materials, *lines.standings, *lines.entries):
            line.update(occurred_at=self.moment, recorded_at=self.moment)
        self.head.last_sequence += 1
        head = {
            "sequence": self.head.last_sequence,
            "kind": kind,
            "stage": stage,
            "cause": "",
            "occurred_at": self.moment,
            "recorded_at": self.moment,
            "recorded_by_id": self.works.operator.pk,
            "note": "",
        } | more
        claims = self.claims(lines)
        self.head.last_digest = chained_digest(
            self.head.last_digest,
            [head.get(name) for name in MOVEMENT_COLUMNS],
            entries=_values(lines.entries, ENTRY_COLUMNS),
            claims=_values(claims, CLAIM_COLUMNS),
            materials=_values(
                [{"mass_ug": 0, "volume_ul": 0} | line for line in lines.materials],
                MATERIAL_COLUMNS,
            ),
            standings=_values(lines.standings, STANDING_COLUMNS),
        )
        self.head.last_recorded_at = self.moment
        pk = self.tables[Movement].add(digest=self.head.last_digest, **head)
        for model, rows in (
            (Entry, lines.entries),
            (ClaimEntry, claims),
            (MaterialEntry, lines.materials),
            (LotStanding, lines.standings),
        ):
            for row in rows:
                self.tables[model].add(movement_id=pk, **row)
        return pk

    def claims(self, lines: Lines) -> list[dict[str, Any]]:
        """The customers' lines, and the house's for the rest of what its lots gained or lost."""
        house = self.works.house.pk
        wanted = dict(lines.claims)
        pool: dict[str, int] = defaultdict(int)
        for entry in lines.entries:
            if "lot_id" in entry and entry["owner_id"] == house:
                pool[entry["metal"]] += entry["mass_ug"]
        for (_, metal), ug in lines.claims.items():
            pool[metal] -= ug
        wanted |= {(house, metal): ug for metal, ug in pool.items()}
        return [
            {
                "owner_id": owner_id,
                "metal": metal,
                "mass_ug": ug,
                "occurred_at": self.moment,
                "recorded_at": self.moment,
            }
            for (owner_id, metal), ug in sorted(wanted.items())
            if ug
        ]

    def next_moment(self) -> None:
        self.moment += self.step

    def lot(self, form: str, owner: Any, state: str, content: str, **more: Any) -> int:
        prefix = {"feed": "FD", "granules": "GR", "fine_crystal": "FC"}.get(form, "WP")
        return self.tables[Lot].add(
            code=self.code("RS" if form == "residue" else prefix),
            form=form,
            owner_id=owner.pk,
            place_id=self.works.places[_PLACE[form]].pk,
            state=state,
            content=content,
            registered_at=self.moment,
            **more,
        )

    def code(self, prefix: str) -> str:
        year = self.moment.year
        self.numbers[prefix, year] += 1
        return str(make_code(prefix, year, self.numbers[prefix, year]))

    def weighing(self, lot: int, net_ug: int, purpose: str) -> int:
        pk = self.tables[Measurement].add(
            kind="weighing",
            lot_id=lot,
            taken_at=self.moment,
            recorded_at=self.moment,
            taken_by_id=self.works.operator.pk,
        )
        self.tables[Weighing].add(
            measurement_ptr_id=pk,
            balance_id=self.works.balance.pk,
            purpose=purpose,
            gross_ug=net_ug,
            tare_ug=0,
            net_ug=net_ug,
            standard_uncertainty_ug=100_000,
        )
        return pk

    def inside(
        self, lot: int, owner: Any, basis: str = "proportion", **more: Any
    ) -> dict[str, Any]:
        return {"lot_id": lot, "owner_id": owner.pk, "basis": basis, **more}

    def outside(self, account: str, owner: Any, basis: str, **more: Any) -> dict[str, Any]:
        more |= {"account_id": self.accounts[account], "owner_id": owner.pk, "basis": basis}
        return more

    def standing(self, lot: int, place: str, owner: Any) -> dict[str, Any]:
        return {"lot_id": lot, "place_id": self.works.places[place].pk, "owner_id": owner.pk}


_PLACE: Final = {
    "feed": "feed-shelf",
    "in_process": "melt-bench",
    "granules": "fine-safe",
    "fine_crystal": "fine-safe",
    "residue": "fine-safe",
}


def write_history(
    entries: int, works: SimpleNamespace, until: dt.datetime, seed: int = 20260504
) -> dict[str, int]:
    """At least so many entries, over three years up to `until`; how many rows of each kind."""
    rounds = -(-entries // ENTRIES_PER_ROUND_MIN)
    history = History(works, until, rounds, seed)
    with transaction.atomic():
        history.write(entries)
    return {model._meta.model_name or "": table.count for model, table in history.tables.items()}


def _values(rows: Sequence[dict[str, Any]], columns: Sequence[str]) -> list[list[Any]]:
    return [[row.get(name) for name in columns] for row in rows]
