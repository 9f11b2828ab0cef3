"""Wet work and melting at Tern Quay: parting, bleeding, cementing, recovering, pouring bars."""

from __future__ import annotations

import datetime as dt

from cells.models import SlimesBag
from cells.services.bleed import bleed_electrolyte
from cells.services.slimes_recovery import finish_recovery, group_bags
from lots.measurements.outputs import Output
from lots.models import Lot, ProcessBatch
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.taking import Take
from lots.services.write_off import Cause, write_off
from reports.demo.story import Story
from reports.demo.truth import UG_PER_G, TrueLot, burn_off


class WetWork(Story):
    """The story with everything that happens in beakers and crucibles."""

    def bleed(self, cell: str, litres: float, when: dt.datetime, name: str) -> Lot:
        """Copper-laden electrolyte is drawn off for cementation and water made up."""
        bench = self.bench
        batch = bench.cast.electrolytes[cell]
        true = bench.cast.true[batch.lot.code]
        drawn = true.take(litres / true.volume_l)
        with bench.at(when) as act:
            lot = bleed_electrolyte(
                batch=batch,
                volume=bench.volume(litres, 0.02),
                place=bench.place("wet-bench"),
                act=act,
            )
        bench.cast.true[lot.code] = drawn
        self.lots[name] = lot
        return lot

    def cement(self, names: list[str], when: dt.datetime, name: str) -> Lot:
        """Silver is cemented out of solutions on copper; the spent solution goes to waste."""
        bench, cast = self.bench, self.bench.cast
        true = TrueLot(0.0)
        for each in names:
            true.add(cast.true.pop(self.lots[each].code))
        silver = true.metals_g["Ag"]
        copper = silver * 0.32
        with bench.at(when) as act:
            batch = start_batch(
                kind=ProcessBatch.Kind.CEMENTATION,
                place=cast.places["wet-bench"],
                inputs=Inputs(
                    [Take(self.lots[each]) for each in names],
                    {"Cu": round(copper * UG_PER_G)},
                ),
                act=act,
            )
        got = TrueLot(silver * 0.997 / 0.962, {"Ag": silver * 0.997, "Cu": silver * 0.025})
        spent = TrueLot(
            0.0,
            {"Cu": true.metals_g["Cu"] + copper - got.metals_g["Cu"], "Ag": silver * 0.0004},
            true.volume_l,
        )
        out = self._output(batch, got, "cement_silver", "feed-shelf", when + dt.timedelta(days=1))
        self.lots[name] = out
        solution = self._solution(batch, spent, when + dt.timedelta(days=1, minutes=20))
        with bench.at(when + dt.timedelta(days=1, hours=1)) as act:
            close_batch(batch=batch, act=act)
        with bench.at(when + dt.timedelta(days=1, hours=2), note="To the licensed carrier") as act:
            write_off(
                lot=solution,
                cause=Cause.OTHER,
                stage="cementation",
                discarded=True,
                act=act,
            )
        return out

    def part(self, names: list[str], when: dt.datetime) -> None:
        """Gold is parted from silver in acid; silver and copper go on as a solution."""
        bench, cast = self.bench, self.bench.cast
        true = TrueLot(0.0)
        for each in names:
            true.add(cast.true.pop(self.lots[each].code))
        with bench.at(when) as act:
            batch = start_batch(
                kind=ProcessBatch.Kind.PARTING,
                place=cast.places["wet-bench"],
                inputs=Inputs([Take(self.lots[each]) for each in names]),
                keep_apart=False,
                act=act,
            )
        gold = true.metals_g["Au"] * 0.9985
        sponge = TrueLot(gold / 0.9972, {"Au": gold, "Ag": gold * 0.0021})
        later = when + dt.timedelta(days=1)
        self.lots["parted gold"] = self._output(batch, sponge, "fine_gold", "fine-safe", later)
        solution = TrueLot(
            0.0, {"Ag": true.metals_g["Ag"] * 0.9975, "Cu": true.metals_g["Cu"] * 0.998}, 9.5
        )
        self.lots["parting solution"] = self._solution(
            batch, solution, later + dt.timedelta(minutes=30), place="wet-bench"
        )
        cast.true[self.lots["parting solution"].code] = solution
        with bench.at(later + dt.timedelta(hours=2)) as act:
            close_batch(batch=batch, act=act)

    def _output(
        self, batch: ProcessBatch, true: TrueLot, form: str, place: str, when: dt.datetime
    ) -> Lot:
        bench = self.bench
        u = {metal: max(0.02, true.ppt(metal) * 0.0008) for metal in true.metals_g}
        report = bench.report(
            {metal: true.ppt(metal) for metal in u},
            {metal: round(value, 2) for metal, value in u.items()},
            method="icp_oes",
        )
        with bench.at(when) as act:
            lot = record_output(
                batch=batch,
                output=Output(
                    form=form,
                    place=bench.place(place),
                    weight=bench.weight(true.mass_g, "bench" if true.mass_g < 3000 else "floor"),
                    assay=report,
                ),
                act=act,
            )
        bench.cast.true[lot.code] = true
        return lot

    def _solution(
        self, batch: ProcessBatch, true: TrueLot, when: dt.datetime, place: str = "waste-shed"
    ) -> Lot:
        bench = self.bench
        report = bench.report(
            {metal: true.g_per_l(metal) for metal in ("Ag", "Cu")},
            {"Ag": max(0.005, round(true.g_per_l("Ag") * 0.002, 3)), "Cu": 0.1},
            method="icp_oes",
            basis="g_per_l",
        )
        with bench.at(when) as act:
            return record_output(
                batch=batch,
                output=Output(
                    form="solution",
                    place=bench.place(place),
                    volume=bench.volume(true.volume_l, 0.05),
                    assay=report,
                ),
                act=act,
            )

    def recover(self, bags: list[SlimesBag], when: dt.datetime) -> ProcessBatch:
        """Bags are grouped and recovered: gold sponge, a PGM concentrate, and silver chloride."""
        bench, cast = self.bench, self.bench.cast
        true = TrueLot(0.0)
        for bag in bags:
            true.add(cast.true.pop(bag.lot.code))
        with bench.at(when) as act:
            batch = group_bags(bags=bags, place=cast.places["wet-bench"], act=act)
        gold = true.metals_g.get("Au", 0.0) * 0.992
        platinum = {
            metal: true.metals_g.get(metal, 0.0) * 0.94
            for metal in ("Pt", "Pd")
            if true.metals_g.get(metal)
        }
        silver = true.metals_g.get("Ag", 0.0) * 0.97
        later = when + dt.timedelta(days=2)
        if gold:
            sponge = TrueLot(gold / 0.9965, {"Au": gold, "Ag": gold * 0.002})
            self.lots["gold sponge"] = self._output(batch, sponge, "fine_gold", "fine-safe", later)
        if platinum:
            mass = sum(platinum.values()) / 0.31
            concentrate = TrueLot(mass, platinum)
            self._output(
                batch, concentrate, "pgm_concentrate", "fine-safe", later + dt.timedelta(minutes=20)
            )
        if silver:
            # Silver chloride is three quarters silver; what is weighed here is reduced metal.
            cement = TrueLot(silver / 0.981, {"Ag": silver})
            self.lots["slimes silver"] = self._output(
                batch, cement, "cement_silver", "feed-shelf", later + dt.timedelta(minutes=40)
            )
        with bench.at(later + dt.timedelta(hours=2)) as act:
            finish_recovery(batch=batch, act=act)
        return batch

    def pour_bar(self, names: list[str], when: dt.datetime, name: str) -> Lot:
        """Fine crystal is melted and poured as one bar."""
        bench, cast = self.bench, self.bench.cast
        true = TrueLot(0.0)
        for each in names:
            true.add(cast.true.pop(self.lots[each].code))
        burn_off(true, dross_share=0.9, metal_share=0.0002)
        with bench.at(when) as act:
            batch = start_batch(
                kind=ProcessBatch.Kind.FINE_MELT,
                place=cast.places["melt-bench"],
                inputs=Inputs([Take(self.lots[each]) for each in names]),
                act=act,
            )
        bar = self._output(batch, true, "bar", "fine-safe", when + dt.timedelta(hours=3))
        with bench.at(when + dt.timedelta(hours=4)) as act:
            close_batch(batch=batch, act=act)
        self.lots[name] = bar
        return bar
