"""A simulated run as the estimate is told of it, at a share of its length."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cells.estimate.facts import Bath, Feed, Figure, Learned, Measured, Poured, RunFacts
from tests.studies.estimate.cell_runs import Run

HARVEST_U = 0.002
ASSAY_U = 0.01


@dataclass(frozen=True)
class More:
    """What is known beside the readings: an assay or the anode weighed now, past runs, crystal."""

    assay: bool = False
    remnant: bool = False
    past: bool = False
    weighed: bool = False


def facts_of(run: Run, every_h: float, share: float, more: More = More()) -> RunFacts:
    """What is known of the run when `share` of its length is over."""
    now_h = run.end_h * share
    ended = share >= 1.0
    hours, current = run.read(every_h, now_h)
    figure = {m: Figure(b.value, b.u) for m, b in run.told_of_feed.items()}
    return RunFacts(
        anode_g=run.anode_g,
        feed=Feed("scrap", figure),
        bath=Bath(
            Figure(run.volume.value, run.volume.u),
            {m: Figure(b.value, max(b.u, 0.005)) for m, b in run.bath.items()},
        ),
        now_h=now_h,
        hours=hours,
        current_a=current,
        measured=_measured(run, now_h, more),
        poured=[
            Poured(each.hours, Figure(each.litres, 0.05 * abs(each.litres) + 1e-6))
            for each in run.refills
            if each.hours <= now_h
        ],
        learned=_learned(run) if more.past else (),
        ended_h=now_h if ended else None,
        stopped_h=now_h if ended else None,
        u_gain=run.u_gain,
        evaporation_l_per_h=Figure(run.evaporation.value, run.evaporation.u),
    )


def _measured(run: Run, now_h: float, more: More) -> list[Measured]:
    truth, noise = run.at(now_h), np.random.default_rng(run.noise.bit_generator.seed_seq.entropy)
    silver, copper, anode, crystal = noise.normal(size=4)
    found = []

    def add(quantity: str, value: float, u: float, error: float) -> None:
        figure = Figure(max(value + u * error, 0.0), u)
        found.append(Measured(now_h, quantity, figure, quantity))  # type: ignore[arg-type]

    if more.assay:
        value = truth.silver_g / truth.volume_l
        add("silver_g_per_l", value, ASSAY_U * value, silver)
        value = truth.copper_g / truth.volume_l
        add("copper_g_per_l", value, ASSAY_U * value, copper)
    if more.remnant:
        add("anode_left_g", truth.anode_left_g, 0.003 * run.anode_g, anode)
    if more.weighed:
        add("crystal_g", truth.plated_g, HARVEST_U * truth.plated_g, crystal)
    return found


def _learned(run: Run) -> list[Learned]:
    """Several past runs of the cell and feed, each of which came out a little differently."""
    noise = np.random.default_rng([11, int(run.end_h * 1e6) % 2**31])
    plated, dissolved = noise.normal(size=2) * 0.006
    contact = run.contact + noise.normal() * 0.012
    return [
        Learned("plated", Figure(run.cathode * run.gain + plated, 0.006)),
        Learned("dissolved", Figure(run.anode * run.gain + dissolved, 0.006)),
        Learned("contact", Figure(contact, 0.012)),
        Learned("ending", Figure(0.35, 0.05)),
    ]


def truths(run: Run, hours: float) -> dict[str, float]:
    """What is asked, as it really is."""
    now, end = run.at(hours), run.path[-1]
    return {
        "charge": now.charge_ah,
        "copper": now.copper_g,
        "plated": now.plated_g,
        "silver": now.silver_g,
        "volume": now.volume_l,
        "palladium": now.palladium_g,
        "harvest": end.plated_g,
        "gold_in_bag": run.anode_g * run.made_of["Au"] * now.dissolved,
        "end": run.end_h,
        "nine_tenths": run.nine_tenths_h,
    }
