"""The answer about one lot as a PDF: what came in, where it is, what is payable."""

from __future__ import annotations

import datetime as dt

from config.paper_fonts import FONT
from lots.ledger.holdings import AsOf
from lots.units import ug_to_g
from reports.conventions import OUNCE_RULE, ounces_of
from reports.exports.moments import as_of_note
from reports.exports.paper import Paper
from reports.queries.lot.lot_answer import WHERE_NAMES, LotAnswer, MetalAnswer, Where


def lot_answer_pdf(answer: LotAnswer, *, house: str, made_at: dt.datetime) -> bytes:
    """The answer as PDF bytes."""
    title = f"What became of lot {answer.lot}"
    paper = Paper(title, author=house, about=answer.lot, made_at=made_at)
    paper.facts(
        [
            ("What it is", f"{answer.form} {answer.description}".strip()),
            ("From", answer.received_from),
            ("Owner", answer.owner_name),
            ("State", answer.state),
            ("As of", as_of_note(AsOf(answer.as_of_occurred, answer.as_of_recorded))),
        ]
    )
    if answer.withheld:
        paper.say(answer.withheld, 5)
    for metal in answer.metals:
        _metal(paper, metal)
    _payable(paper, answer)
    paper.small_print((answer.signs, answer.mixing, answer.unsure, answer.deference, OUNCE_RULE))
    return paper.in_bytes()


def _metal(paper: Paper, metal: MetalAnswer) -> None:
    paper.set_font(FONT, "B", 10)
    paper.say(f"{metal.metal}: {_both(metal.entered_ug)} came in", 6)
    rows = [
        (WHERE_NAMES[where], _grams(ug), _grams(metal.uncertainty_of(where)), f"{ounces_of(ug):,f}")
        for where in Where
        if (ug := metal.where_ug.get(where))
    ]
    if not rows:
        return
    columns = (("Where it is", 80), ("Grams", -34), ("± u", -24), ("Troy ounces", -34))
    paper.ruled(columns, rows)


def _payable(paper: Paper, answer: LotAnswer) -> None:
    due = answer.payable
    paper.set_font(FONT, "B", 10)
    paper.say("What is payable", 6)
    paper.set_font(FONT, size=9)
    if due.reason:
        paper.say(due.reason, 5)
    if due.settlement:
        paper.say(f"By settlement {due.settlement} ({due.kind}).", 5)
    for metal, mass_ug in due.payable_ug.items():
        paper.say(f"{metal}: {_both(mass_ug)}", 5)
    if due.total is not None:
        paper.say(f"Money due: {due.total:,f} {due.currency}", 5)
    paper.ln(3)


def _grams(mass_ug: int | None) -> str:
    return "" if mass_ug is None else f"{ug_to_g(mass_ug):,f}"


def _both(mass_ug: int) -> str:
    return f"{ug_to_g(mass_ug):,f} g = {ounces_of(mass_ug):,f} ozt"
