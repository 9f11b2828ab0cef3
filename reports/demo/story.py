"""What recurs at Tern Quay: melting, assaying, harvesting, recovering, each in truth and book."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from django.utils import timezone

from cells.models import CellRun, SlimesBag
from cells.services.close_run import close_run
from cells.services.harvest import Crystal, harvest_run
from cells.services.open_bag import WaitingBag, open_bag
from cells.services.prepare_electrolyte import ElectrolyteInUse, open_electrolyte
from cells.services.remnant import take_remnant
from cells.services.rinse_water import RinseWater, take_rinse_water
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.top_up import Addition, top_up_electrolyte
from lots.measurements.weighings import Weight
from lots.models import Lot
from lots.queries.works_zone import works_zone
from lots.services.melting import Melted, melt_lot
from lots.services.opening import Amount, Opening, open_claim, open_lot
from lots.services.ownership import settle_claim
from lots.services.sampling import take_sample, use_up_sample
from reports.demo.bench import Bench
from reports.demo.truth import UG_PER_G, TrueLot, burn_off, of_fineness

SILVER_U = {"Ag": 0.4, "Cu": 0.6}
GOLD_U = {"Ag": 0.6, "Cu": 0.8, "Au": 0.05}


@dataclass
class Story:
    """The bench, the months' first days, and the lots that later events come back to."""

    bench: Bench
    months: list[dt.date]
    lots: dict[str, Lot] = field(default_factory=dict)
    runs: dict[str, CellRun] = field(default_factory=dict)
    old_bags: list[SlimesBag] = field(default_factory=list)

    def on(self, month: int, day: int, hour: int = 9, minute: int = 0) -> dt.datetime:
        """A moment in the works' own time."""
        naive = dt.datetime.combine(self.months[month].replace(day=day), dt.time(hour, minute))
        return timezone.make_aware(naive, works_zone())

    # Opening

    def open_the_books(self) -> None:
        bench, facts, cast = self.bench, self.bench.facts["opening"], self.bench.cast
        bench.tell("opening balances: electrolyte in use, granules, bags, fine crystal, a claim")
        for index, each in enumerate(facts["electrolytes"]):
            true = TrueLot(
                0.0,
                {
                    "Ag": each["volume_l"] * each["ag_g_per_l"],
                    "Cu": each["volume_l"] * each["cu_g_per_l"],
                },
                each["volume_l"],
            )
            cast.true["opening"] = true
            measured = bench.measured("opening")
            with bench.at(self.on(0, 1, 8, 10 * index), "odell") as act:
                batch = open_electrolyte(
                    electrolyte=ElectrolyteInUse(
                        place=cast.places[each["place"]],
                        measurement=measured,
                        use_number=each["use_number"],
                        cell=cast.cells[each["cell"]],
                        description=f"{each['cell'].title()} electrolyte",
                    ),
                    act=act,
                )
            cast.electrolytes[each["cell"]] = batch
            cast.true[batch.lot.code] = cast.true.pop("opening")
        self.lots["house granules"] = self._open_solid(facts["granules"], "granules", 30)
        self.lots["old fine"] = self._open_solid(facts["fine"], "fine_crystal", 40)
        for index, each in enumerate(facts["slimes"]):
            self._open_bag(each, self.on(0, 1, 8, 44 + index))
        for claim in facts["claims"]:
            with bench.at(self.on(0, 1, 8, 50), "odell") as act:
                open_claim(
                    owner=cast.parties[claim["owner"]],
                    metals={
                        metal: round(grams * UG_PER_G) for metal, grams in claim["metals_g"].items()
                    },
                    act=act,
                )

    def _open_bag(self, facts: dict[str, Any], when: dt.datetime) -> None:
        cast = self.bench.cast
        metals = facts["metals_g"]
        with self.bench.at(when, "odell") as act:
            bag = open_bag(
                bag=WaitingBag(
                    place=cast.places["slimes-cabinet"],
                    metals={
                        metal: Amount(round(grams * UG_PER_G), round(grams * 0.08 * UG_PER_G))
                        for metal, grams in metals.items()
                    },
                    mass_ug=round(facts["mass_g"] * UG_PER_G),
                    bagged_at=when - dt.timedelta(days=facts["waiting_days"]),
                    description=facts["description"],
                ),
                act=act,
            )
        # What was written on the old labels was a guess: truly there is a little less gold.
        truly = {metal: grams * facts["truly"] for metal, grams in metals.items()}
        cast.true[bag.lot.code] = TrueLot(facts["mass_g"], truly)
        self.old_bags.append(bag)

    def _open_solid(self, facts: dict[str, Any], form: str, minute: int) -> Lot:
        cast = self.bench.cast
        true = of_fineness(facts["mass_g"], facts["ppt"])
        with self.bench.at(self.on(0, 1, 8, minute), "odell") as act:
            lot = open_lot(
                opening=Opening(
                    form=form,
                    owner=cast.parties["tern-quay"],
                    place=cast.places[facts["place"]],
                    metals={
                        metal: Amount(round(grams * UG_PER_G), round(grams * 0.001 * UG_PER_G))
                        for metal, grams in true.metals_g.items()
                    },
                    mass_ug=round(facts["mass_g"] * UG_PER_G),
                    content=Lot.Content.ASSAYED,
                    description=facts["description"],
                ),
                act=act,
            )
        cast.true[lot.code] = true
        return lot

    # What recurs

    def melt(
        self, name: str, when: dt.datetime, *, form: str = "granules", dross: float = 0.3
    ) -> Lot:
        """Melts a received lot and pours it as granules, weighed again."""
        bench, cast = self.bench, self.bench.cast
        lot = self.lots[name]
        true = cast.true.pop(lot.code)
        burn_off(true, dross_share=dross, metal_share=0.0006)
        with bench.at(when) as act:
            poured = melt_lot(
                lot=lot,
                melted=Melted(
                    form=form,
                    place=cast.places["feed-shelf"],
                    weight=bench.weight(true.mass_g),
                    description=f"{lot.description}, granulated",
                ),
                act=act,
            )
        cast.true[poured.code] = true
        self.lots[f"{name} received"] = lot
        self.lots[name] = poured
        return poured

    def sample_and_assay(
        self,
        name: str,
        when: dt.datetime,
        u: dict[str, float],
        *,
        rule: bool = True,
        **report: Any,
    ) -> Any:
        """A dip sample, used up in the assay two days later; the assay rules unless told not to."""
        bench, cast, lot = self.bench, self.bench.cast, self.lots[name]
        true = cast.of(lot)
        true.take(5 / true.mass_g)
        with bench.at(when) as act:
            sample = take_sample(
                lot=lot, place=cast.places["assay-drawer"], mass_ug=5 * UG_PER_G, act=act
            )
        two_days = when + dt.timedelta(days=2)
        assay = bench.assay(lot, two_days, u, **report)
        with bench.at(two_days + dt.timedelta(minutes=20), "pia") as act:
            use_up_sample(sample=sample, act=act)
        if rule:
            bench.rule(assay, two_days + dt.timedelta(minutes=40), "Our own assay, agreed basis")
        return assay

    def lift(
        self, name: str, when: dt.datetime, *, torn: bool = False, bag_place: str = "slimes-cabinet"
    ) -> SlimesBag:
        """The basket comes up: the remnant is weighed, the bag hung up to drain and stored."""
        bench, cast, run = self.bench, self.bench.cast, self.runs[name]
        outcome = bench.outcomes[run.code]
        with bench.at(when) as act:
            remnant = take_remnant(
                run=run,
                weight=bench.weight(outcome.remnant.mass_g, "bench"),
                place=cast.places["feed-shelf"],
                act=act,
            )
        cast.true[remnant.code] = outcome.remnant
        self.lots[f"{name} remnant"] = remnant
        with bench.at(when + dt.timedelta(minutes=30)) as act:
            bag = bag_slimes(
                run=run,
                bag=BagTaken(
                    place=cast.places[bag_place],
                    torn=torn,
                    kept_share=Decimal("0.65") if torn else None,
                ),
                act=act,
            )
        cast.true[bag.lot.code] = outcome.slimes
        return bag

    def harvest(
        self, name: str, when: dt.datetime, *, assay: bool = True, miskeyed: bool = False
    ) -> Lot:
        """The crystal: rinsed until a drop of acid stays clear, dried, weighed, assayed.

        `miskeyed` exchanges two digits of the gross, as a tired hand does.
        """
        bench, cast, run = self.bench, self.bench.cast, self.runs[name]
        true = bench.outcomes[run.code].crystal
        report = bench.report(
            {metal: true.ppt(metal) for metal in ("Ag", "Cu")},
            {"Ag": 0.1, "Cu": 0.03},
            method="icp_oes",
        )
        weight = bench.weight(true.mass_g, "floor", 305.0)
        with bench.at(when) as act:
            harvest = harvest_run(
                run=run,
                crystal=Crystal(
                    weight=exchange_digits(weight) if miskeyed else weight,
                    place=cast.places["fine-safe"],
                    rinse_count=6,
                    chloride_clear=True,
                    dry=True,
                    assay=report if assay else None,
                    declared=None if assay else {"Ag": Decimal("999")},
                ),
                act=act,
            )
        cast.true[harvest.lot.code] = true
        self.lots[f"{name} crystal"] = harvest.lot
        return harvest.lot

    def finish(self, name: str, when: dt.datetime) -> None:
        """The rinse water is kept, the electrolyte measured, and the run closed."""
        bench, cast, run = self.bench, self.bench.cast, self.runs[name]
        code = run.electrolyte.lot.code
        solution = cast.true[code]
        drag_out = solution.take(0.004)
        water = TrueLot(0.0, drag_out.metals_g, 6.0)
        with bench.at(when) as act:
            rinse = take_rinse_water(
                run=run,
                water=RinseWater(
                    volume=bench.volume(6.0, 0.05),
                    place=cast.places["wet-bench"],
                    assay=bench.report(
                        {metal: water.g_per_l(metal) for metal in ("Ag", "Cu")},
                        {"Ag": 0.02, "Cu": 0.02},
                        method="titration",
                        basis="g_per_l",
                    ),
                ),
                act=act,
            )
        cast.true[rinse.code] = water
        self.lots[f"{name} rinse"] = rinse
        solution.volume_l *= 0.985
        with bench.at(when + dt.timedelta(hours=1)) as act:
            close_run(run=run, measurement=bench.measured(code), act=act)

    def strengthen(self, cell: str, silver_g: float, when: dt.datetime) -> None:
        """Tops an electrolyte up with bought silver nitrate, after its silver fell."""
        bench = self.bench
        batch = bench.cast.electrolytes[cell]
        bench.cast.true[batch.lot.code].add(TrueLot(0.0, {"Ag": silver_g}))
        with bench.at(when) as act:
            top_up_electrolyte(
                batch=batch,
                addition=Addition(supplies_ug={"Ag": round(silver_g * UG_PER_G)}),
                act=act,
            )

    def buy_claim(self, customer: str, metals_g: dict[str, float], when: dt.datetime) -> None:
        """The house buys part of what a customer has in the pool."""
        with self.bench.at(when, "odell", "Bought at the day's price") as act:
            settle_claim(
                owner=self.bench.cast.parties[customer],
                metals={metal: round(grams * UG_PER_G) for metal, grams in metals_g.items()},
                act=act,
            )


def exchange_digits(weight: Weight) -> Weight:
    """The gross with its first falling pair of digits after the leading one swapped."""
    digits = list(f"{weight.gross_ug / UG_PER_G:.1f}")
    for index in range(1, len(digits) - 3):
        if digits[index] > digits[index + 1]:
            digits[index], digits[index + 1] = digits[index + 1], digits[index]
            break
    return replace(weight, gross_ug=round(Decimal("".join(digits)) * UG_PER_G))
