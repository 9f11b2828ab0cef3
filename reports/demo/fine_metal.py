"""Fine metal at Tern Quay: bars listed, silver analysed, a bar delivered, papers kept."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from django.core.files.base import ContentFile

from lots.bars import RoundingRule
from lots.measurements.impurities import ImpurityReport, record_impurities
from lots.models import BarRecord, DeliveryNote, Document, ImpurityAnalysis
from lots.services.bars_listing import Bar, list_bar
from lots.services.delivery import Delivered, deliver
from lots.services.documents import Filing, attach_document
from reports.demo.wet_work import WetWork
from reports.exports.paper import Paper

# What the works itself follows in silver; the laboratory's traces are in the scenario.
FOLLOWED = ("Ag", "Cu")
HUNDREDTH = Decimal("0.01")


def list_poured(story: WetWork, name: str, when: dt.datetime) -> BarRecord:
    """A bar goes on the list by the rules the scenario names, at the fineness found."""
    facts, lot = story.bench.facts["bars"][name], story.lots[name]
    fine = facts.get("fine_rule")
    with story.bench.at(when, "odell") as act:
        return list_bar(
            lot=lot,
            bar=Bar(
                mark=facts["mark"],
                metal=facts["metal"],
                weighing=lot.measurements.get(kind="weighing").weighing,
                assay=lot.assays.get(),
                turn_of_scale=facts.get("turn_of_scale", False),
                fine_rule=RoundingRule(fine["direction"], Decimal(fine["step"])) if fine else None,
            ),
            act=act,
        )


def analyse(story: WetWork, name: str, when: dt.datetime) -> ImpurityAnalysis:
    """An outside laboratory looks for what is in the silver beside silver."""
    facts, lot = story.bench.facts["impurities"][name], story.lots[name]
    true = story.bench.cast.of(lot)
    found = {metal: Decimal(true.ppt(metal)).quantize(HUNDREDTH) for metal in FOLLOWED}
    report = ImpurityReport(
        laboratory=story.bench.cast.parties[facts["laboratory"]],
        contents_ppt={**found, **facts["traces_ppt"]},
        certificate=facts["certificate"],
    )
    with story.bench.at(when, "pia") as act:
        return record_impurities(lot=lot, report=report, act=act)


def give_back(story: WetWork, name: str, when: dt.datetime) -> DeliveryNote:
    """Fine metal goes back to a customer against what is owed, under a note."""
    facts = story.bench.facts["deliveries"][name]
    with story.bench.at(when, "odell", facts["note"]) as act:
        return deliver(
            kind=DeliveryNote.Kind.RETURN,
            party=story.bench.cast.parties[facts["party"]],
            items=[Delivered(story.lots[each]) for each in facts["lots"]],
            carrier=facts["carrier"],
            act=act,
        )


def keep_papers(story: WetWork, month: int) -> list[Document]:
    """The month's papers on parties and lots, each to be kept until its day."""
    kept = []
    for index, facts in enumerate(story.bench.facts["papers"]):
        if facts["month"] != month:
            continue
        when = story.on(month, facts["day"], 11, index)
        days = facts.get("keep_days")
        until = None if days is None else when.date() + dt.timedelta(days=days)
        about = (
            {"lot": story.lots[facts["lot"]]}
            if "lot" in facts
            else {"party": story.bench.cast.parties[facts["party"]]}
        )
        with story.bench.at(when, "odell") as act:
            document = attach_document(
                file=ContentFile(_paper(facts["says"], when), f"{facts['name']}.pdf"),
                filing=Filing(facts["kind"], until),
                act=act,
                **about,
            )
        kept.append(document)
    return kept


def _paper(says: str, when: dt.datetime) -> bytes:
    paper = Paper(
        "Invented paper",
        author="Tern Quay Refining",
        about="invented, for the demo",
        made_at=when,
        heading=says,
    )
    return paper.in_bytes()
