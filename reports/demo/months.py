"""The events of each month, in order."""

from __future__ import annotations

from reports.demo.fine_metal import analyse, give_back, keep_papers, list_poured
from reports.demo.office import agree_terms, enter_prices, settle
from reports.demo.story import GOLD_U, SILVER_U
from reports.demo.wet_work import WetWork


def first_month(story: WetWork) -> None:
    """Four customers bring feed; both cells run once; sweeps and school scrap wait their turn."""
    tell = story.bench.tell
    story.open_the_books()
    enter_prices(story, 0)
    agree_terms(story)
    tell("first month: receipts, melts, assays")
    for day, name in ((2, "lemel"), (3, "flatware"), (4, "contacts"), (9, "school")):
        story.lots[name] = story.bench.receive(name, story.on(0, day, 10))
    story.melt("flatware", story.on(0, 4, 14))
    story.sample_and_assay("flatware", story.on(0, 4, 16), SILVER_U)
    story.melt("contacts", story.on(0, 5, 14))
    story.sample_and_assay("contacts", story.on(0, 5, 16), {**SILVER_U, "Pd": 0.05})
    story.melt("lemel", story.on(0, 10, 11), dross=0.97)
    story.sample_and_assay("lemel", story.on(0, 10, 15), GOLD_U, method="fire_assay")
    tell("first month: North and South run")
    story.runs["N1"] = story.bench.charge(
        "north", [(story.lots["flatware"], None)], story.on(0, 7, 9)
    )
    story.runs["S1"] = story.bench.charge(
        "south",
        [(story.lots["contacts"], None), (story.lots["house granules"], 1000.0)],
        story.on(0, 8, 9),
    )
    for name, start, days in (("N1", story.on(0, 7, 10), 11), ("S1", story.on(0, 8, 10), 12)):
        story.bench.run_through(story.runs[name], start, days, remnant_share=0.045)
    for name, day in (("N1", 18), ("S1", 20)):
        story.lift(name, story.on(0, day, 15))
        story.harvest(name, story.on(0, day + 2, 11))
        story.finish(name, story.on(0, day + 2, 14))
    settle(story, "flatware", "final", story.on(0, 23, 9))
    keep_papers(story, 0)
    story.strengthen("north", 420.0, story.on(0, 23, 10))
    story.strengthen("south", 480.0, story.on(0, 23, 11))


def second_month(story: WetWork) -> None:
    """A torn bag, a disputed assay, gold filings parted, bags recovered, bars given back."""
    bench, tell = story.bench, story.bench.tell
    enter_prices(story, 1)
    tell("second month: receipts, a parting, a dispute that goes to an umpire")
    for day, name in ((3, "flatware2"), (5, "gauze"), (8, "filings"), (12, "lemel2")):
        story.lots[name] = bench.receive(name, story.on(1, day, 10))
    story.melt("flatware2", story.on(1, 4, 14))
    story.sample_and_assay("flatware2", story.on(1, 4, 16), SILVER_U)
    story.melt("gauze", story.on(1, 6, 14))
    gauze_u = {**SILVER_U, "Pd": 0.08}
    ours = story.sample_and_assay("gauze", story.on(1, 6, 16), gauze_u, rule=False, bias=-1.6)
    bench.assay(
        story.lots["gauze"],
        story.on(1, 10, 9),
        gauze_u,
        method="icp_oes",
        laboratory="harbour-assay",
        side="counterparty",
        bias=1.9,
    )
    bench.rule(ours, story.on(1, 10, 10), "Provisional, until the umpire has reported")
    story.part(["lemel", "filings"], story.on(1, 12, 14))
    story.melt("school", story.on(1, 11, 10))
    story.runs["N2"] = bench.charge("north", [(story.lots["flatware2"], None)], story.on(1, 8, 9))
    story.runs["S2"] = bench.charge(
        "south",
        [(story.lots["gauze"], None), (story.lots["S1 remnant"], None)],
        story.on(1, 11, 14),
    )
    bench.run_through(story.runs["N2"], story.on(1, 8, 10), 10, remnant_share=0.05)
    bench.run_through(story.runs["S2"], story.on(1, 11, 15), 9, remnant_share=0.03, torn=True)
    tell("second month: a torn bag, slimes recovered, silver cemented, a bar given back")
    story.recover(
        [story.old_bags[0], bench.bag_of(story.runs["N1"]), bench.bag_of(story.runs["S1"])],
        story.on(1, 14, 9),
    )
    story.lift("N2", story.on(1, 18, 15))
    story.harvest("N2", story.on(1, 20, 11))
    story.finish("N2", story.on(1, 20, 14))
    story.lift("S2", story.on(1, 21, 10), torn=True)
    story.harvest("S2", story.on(1, 22, 11), assay=False)
    story.finish("S2", story.on(1, 22, 14))
    keep_papers(story, 1)
    story.bleed("south", 4.0, story.on(1, 23, 10), "south bleed")
    story.cement(
        ["parting solution", "south bleed", "N1 rinse", "S1 rinse", "N2 rinse", "S2 rinse"],
        story.on(1, 23, 12),
        "cement",
    )
    story.strengthen("north", 430.0, story.on(1, 24, 16))
    story.strengthen("south", 300.0, story.on(1, 24, 17))
    settle(story, "contacts", "provisional", story.on(1, 24, 18))
    story.pour_bar(["N1 crystal"], story.on(1, 25, 9), "bar 1")
    analyse(story, "bar 1", story.on(1, 25, 16))
    list_poured(story, "bar 1", story.on(1, 26, 9))
    give_back(story, "bar 1", story.on(1, 26, 10))


def open_month(story: WetWork) -> None:
    """The umpire reports late, a harvest is mis-keyed, and one run is still going."""
    bench, tell = story.bench, story.bench.tell
    tell("open month: the umpire reports on a lot that has long been refined")
    umpire = bench.assay(
        story.lots["gauze"],
        story.on(2, 3, 9),
        {"Ag": 0.15, "Cu": 0.4, "Pd": 0.03},
        method="gravimetric",
        laboratory="lighthouse-assay",
        side="umpire",
    )
    bench.rule(umpire, story.on(2, 3, 10), "Umpire's result, final by the terms")
    enter_prices(story, 2)
    settle(story, "gauze", "final", story.on(2, 3, 14))
    story.lots["flatware3"] = bench.receive("flatware3", story.on(2, 2, 10))
    story.melt("flatware3", story.on(2, 4, 14))
    story.sample_and_assay("flatware3", story.on(2, 4, 16), SILVER_U)
    tell("open month: a harvest weighing is keyed in wrong; another run is under way")
    story.runs["N3"] = bench.charge(
        "north",
        [(story.lots["flatware3"], 1000.0), (story.lots["N1 remnant"], None)],
        story.on(2, 7, 9),
    )
    bench.run_through(story.runs["N3"], story.on(2, 7, 10), 8, remnant_share=0.04)
    story.lift("N3", story.on(2, 15, 15))
    story.harvest("N3", story.on(2, 17, 11), miskeyed=True)
    story.finish("N3", story.on(2, 17, 14))
    story.buy_claim("pellow-dane", {"Ag": 250.0}, story.on(2, 17, 16))
    story.runs["S3"] = bench.charge(
        "south", [(story.lots["house granules"], None)], story.on(2, 13, 9)
    )
    bench.run_through(
        story.runs["S3"],
        story.on(2, 13, 10),
        12,
        remnant_share=0.04,
        stop=False,
    )
    tell("open month: two bars poured, listed by their rules; one analysed for impurities")
    story.pour_bar(["old fine"], story.on(2, 18, 9), "bar 2")
    story.pour_bar(["parted gold", "gold sponge"], story.on(2, 18, 10), "gold bar")
    analyse(story, "bar 2", story.on(2, 19, 15))
    list_poured(story, "bar 2", story.on(2, 19, 16))
    list_poured(story, "gold bar", story.on(2, 19, 17))
