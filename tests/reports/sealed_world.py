"""A customer's lot whose assays are being exchanged, in every way it can be met (invented).

Isolde's feed FD is melted to granules that the works assays and rules; her own result is awaited.
The granules are then sampled, split, returned, sold, blended, pooled, charged and spilt. Beside it
stand a lot of hers that is done and settled, and metal of the works that is returned to her.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from types import SimpleNamespace
from typing import Any, Final

from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import record_assay
from lots.measurements.outputs import Output
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import record_weighing
from lots.measurements.withdrawal import withdraw_assay
from lots.models import Lot, Movement, Place
from lots.services.bars_listing import Bar, list_bar
from lots.services.blending import Blend, blend_lots
from lots.services.delivery import Delivered, deliver
from lots.services.melting import Melted, melt_lot
from lots.services.ownership import change_owner
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.receipt import Receipt, receive_lot
from lots.services.sampling import take_sample, use_up_sample
from lots.services.splitting import Part, split_lot
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from reports.services.payment import record_payment
from reports.services.prices import record_price
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.settlement_question import ask_question
from reports.services.shared_links import share_link
from reports.services.terms import set_terms
from tests.cells.conftest import Bench

G: Final = 1_000_000
TERMS: Final = {
    "currency": "EUR",
    "settle_in": "money",
    "provisional_percent": "80",
    "metals": [
        {
            "metal": metal,
            "splitting_limit_ppt": "2",
            "accountability": [{"percent": "98.5"}],
            "refining_charge_per_ozt": "0.5",
        }
        for metal in ("Ag",)
    ],
    "treatment": [{"per_kg": "40"}],
}
DECLARED: Final = {"Ag": "925", "Cu": "75"}


class SealedWorld:
    """`ours` is what the works found in the granules, parts per thousand: the only difference."""

    def __init__(self, works: SimpleNamespace, ours: Mapping[str, str]) -> None:
        self.works, self.ours = works, ours
        self.bench = Bench(works)
        self.places = works.places | {
            "assay-room": Place.objects.create(
                code="assay-room", name="Assay room", area="laboratory"
            )
        }
        self.links: list[str] = []
        self._office()
        self._in()
        self._ruled()
        self._apart()
        self._pooled()
        self._charged()
        self._papers()

    def act(self, hours: float, who: Any = None, **more: Any) -> Any:
        return replace(self.bench.act(hours, **more), who=who or self.works.operator)

    def _office(self) -> None:
        works = self.works
        day = dt.date(2026, 4, 1)
        set_terms(
            customer=works.brackwater,
            content=TERMS,
            valid_from=day,
            act=self.act(0, works.accountant),
        )
        record_price(
            metal="Ag",
            per_unit="ozt",
            price=Decimal("31.25"),
            currency="EUR",
            from_date=day,
            act=self.act(0, works.accountant),
        )

    def _in(self) -> None:
        customer = self.works.brackwater
        self.feed = self._received("2000", 1)
        # Hers too, her result in: nothing of it is secret, but what is mixed with the other is.
        self.done = self._received("500", 1.1)
        self.settled = self._received("300", 1.2)
        for lot in (self.done, self.settled):
            for side, silver in (("house", "924.5"), ("counterparty", "925.1")):
                report = replace(self.bench.assay(Ag=silver, Cu="70"), side=side)
                found = record_assay(lot=lot, report=report, act=self.act(2))
                if side == "house":
                    rule_assay(assay=found, reason="Our report came.", act=self.act(2.1))
        self.house_feed = self.bench.granules(grams="900", hours=1.3, Ag="800", Cu="190")
        self.customer = customer

    def _received(self, grams: str, hours: float, form: str = Lot.Form.FEED, **ppt: str) -> Lot:
        declared = {metal: Decimal(value) for metal, value in (ppt or DECLARED).items()}
        receipt = Receipt(
            party=self.works.brackwater,
            owner=self.works.brackwater,
            form=form,
            place=self.places["feed-shelf"],
            weight=self.bench.weight(grams),
            declared=declared,
        )
        return receive_lot(receipt=receipt, act=self.act(hours))

    def _ruled(self) -> None:
        """Melted, assayed by the works, ruled, taken back, ruled again; a slip is withdrawn."""
        self.sample = take_sample(
            lot=self.feed, place=self.places["assay-room"], mass_ug=10 * G, act=self.act(2.5)
        )
        melted = Melted(Lot.Form.GRANULES, self.places["melt-bench"], self.bench.weight("1985"))
        self.granules = melt_lot(lot=self.feed, melted=melted, act=self.act(3))
        slip = record_assay(
            lot=self.granules, report=self.bench.assay(Ag=self.ours["Ag"]), act=self.act(4)
        )
        withdraw_assay(assay=slip, reason="copper was forgotten", act=self.act(4.1))
        found = record_assay(
            lot=self.granules, report=self.bench.assay(**self.ours), act=self.act(4.2)
        )
        first = self._rule(found, 4.3)
        if first is not None:
            reverse_movement(movement=first, reason="ruled too soon", act=self.act(4.4))
        else:
            self._keep_count(4.4)
        again = record_assay(
            lot=self.granules, report=self.bench.assay(**self.ours), act=self.act(4.5)
        )
        self._rule(again, 4.6)
        use_up_sample(sample=self.sample, act=self.act(5))

    def _rule(self, assay: Any, hours: float) -> Movement | None:
        before = Movement.objects.latest("sequence").sequence
        rule_assay(assay=assay, reason="Our report came.", act=self.act(hours))
        posted = Movement.objects.latest("sequence")
        if posted.sequence > before:
            return posted
        self._keep_count(hours)
        return None

    def _keep_count(self, hours: float) -> None:
        """Where the result is the very one declared nothing is posted: something else then is."""
        place = "fine-safe" if self.house_feed.place.code == "feed-shelf" else "feed-shelf"
        transfer_lot(lot=self.house_feed, place=self.places[place], act=self.act(hours))
        self.house_feed.refresh_from_db()

    def _piece(self, lot: Lot, grams: float, hours: float) -> Lot:
        split = split_lot(lot=lot, parts=[Part(mass_ug=round(grams * G))], act=self.act(hours))
        (piece,) = (each.lot for each in split.standings.exclude(lot=lot))
        return piece

    def _apart(self) -> None:
        """Returned to her, bought outright, spilt, blended with her other lot."""
        house = self.works.house
        own = self._piece(self.granules, 150, 6)
        bought = self._piece(self.granules, 200, 6.1)
        change_owner(lot=bought, owner=house, act=self.act(6.2))
        write_off(
            lot=self.granules, cause="spill", stage="receipt", act=self.act(6.3), mass_ug=2 * G
        )
        self.blend = blend_lots(
            takes=[Take(self.granules, mass_ug=300 * G), Take(self.done, mass_ug=100 * G)],
            blend=Blend(Lot.Form.GRANULES, self.places["melt-bench"]),
            act=self.act(6.5),
        )
        claimed = self._piece(self.granules, 130, 6.6)
        change_owner(lot=claimed, owner=house, as_claim=True, act=self.act(6.7))
        deliver(
            kind="return",
            party=self.customer,
            items=[Delivered(own, self.bench.weight("149.9"))],
            act=self.act(7),
        )

    def _pooled(self) -> None:
        """A common melt gives a bar assayed for itself, and a blend of the works by proportion."""
        batch = start_batch(
            kind="melt",
            place=self.places["melt-bench"],
            inputs=Inputs(
                [
                    Take(self.granules, mass_ug=300 * G),
                    Take(self.settled),
                    Take(self.done, mass_ug=50 * G),
                    Take(self.house_feed, mass_ug=300 * G),
                ]
            ),
            keep_apart=False,
            act=self.act(8),
        )
        bars = [
            record_output(
                batch=batch,
                output=Output(
                    form=Lot.Form.BAR,
                    place=self.places["fine-safe"],
                    weight=self.bench.weight(grams),
                    assay=self.bench.assay(Ag="884", Cu="112", Au="0.4"),
                ),
                act=self.act(hours),
            )
            for grams, hours in (("400", 8.5), ("548", 8.6))
        ]
        close_batch(batch=batch, act=self.act(9))
        mixed = blend_lots(
            takes=[Take(self.granules, mass_ug=120 * G), Take(self.house_feed, mass_ug=100 * G)],
            blend=Blend(Lot.Form.GRANULES, self.places["melt-bench"]),
            keep_apart=False,
            act=self.act(9.5),
        )
        mixed = self._piece(mixed, 60, 9.6)
        weighed = record_weighing(
            lot=bars[0], weight=self.bench.weight("400"), purpose="output", act=self.act(9.7)
        )
        assay = bars[0].assays.get()
        list_bar(lot=bars[0], bar=Bar("TQR 0007", "Ag", weighed, assay), act=self.act(9.8))
        deliver(
            kind="return",
            party=self.customer,
            items=[Delivered(bars[0]), Delivered(mixed)],
            act=self.act(10),
        )

    def _charged(self) -> None:
        """Some goes to a cell with metal of the works; the crystal is weighed."""
        bench = self.bench
        run = bench.charged(
            hours=11,
            electrolyte=bench.electrolyte(hours=0.5),
            takes=[
                Take(self.granules, mass_ug=400 * G),
                Take(self.done, mass_ug=60 * G),
                Take(self.house_feed, mass_ug=400 * G),
            ],
        )
        run = bench.stopped(run, hours=12, amperes="15")
        bag_slimes(run=run, bag=BagTaken(self.places["slimes-cabinet"]), act=self.act(23))
        harvest = harvest_run(run=run, crystal=bench.crystal("600"), act=self.act(24))
        close_run(run=run, act=self.act(25))
        deliver(
            kind="return",
            party=self.customer,
            items=[Delivered(self._piece(harvest.lot, 50, 26))],
            act=self.act(27),
        )

    def _papers(self) -> None:
        office, manager = self.works.accountant, self.works.manager
        for lot, kind in ((self.feed, "provisional"), (self.settled, "final")):
            draft = prepare_settlement(lot=lot, kind=kind, act=self.act(30, office))
            made = approve_settlement(settlement=draft, act=self.act(31, manager))
            record_payment(
                customer=self.customer,
                direction="paid",
                amount=made.total,
                currency="EUR",
                settlement=made,
                act=self.act(32, office),
            )
            for about in ({"settlement": made}, {"lot": lot}):
                link = share_link(days=7, act=self.act(33, office), **about)
                self.links.append(link.token)
        self.links.append(share_link(lot=self.granules, days=7, act=self.act(33, office)).token)
        self.links.append(share_link(lot=self.done, days=7, act=self.act(33, office)).token)
        self.question = ask_question(
            lot=self.feed, question="Where is it?", act=self.act(34, office)
        )

    def tell(self, **theirs: str) -> None:
        """Her own result of the granules comes in."""
        report = replace(self.bench.assay(**theirs), side="counterparty")
        record_assay(lot=self.granules, report=report, act=self.act(40))
