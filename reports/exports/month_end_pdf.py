"""The month's statement as a PDF to print, file and hand over.

What was signed travels in it as an attached file, so that the paper's own file can be verified.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator

from lots.metals import Metal
from lots.units import ug_to_g
from reports.conventions import (
    OUNCE_RULE,
    PERCENT_RULE,
    SIGN_CONVENTION,
    STATEMENT_SIGNS,
    STATEMENT_THROUGHPUT,
    ounces_of,
)
from reports.exports.moments import as_of_note
from reports.exports.paper import Paper
from reports.exports.signature import ATTACHED_NAME, signature_line
from reports.exports.tables import local
from reports.queries.month.month_pack import MonthPack, StepTaken
from reports.queries.month.month_statement import MetalStatement
from reports.queries.month.signed_statement import Signed


def month_end_pdf(pack: MonthPack, *, made_at: dt.datetime) -> bytes:
    """The statement as PDF bytes."""
    statement, house = pack.statement, pack.house()
    title = f"Month-end statement {statement.period}"
    paper = Paper(title, author=house, about=title.lower(), made_at=made_at)
    paper.facts(
        [
            ("State", f"{statement.state}. {as_of_note(statement.closing.as_of)}"),
            *((each.name, _taken(each)) for each in pack.steps()),
            *(("Approval", said) for said in statement.approval),
            ("Printed", f"{local(made_at):%Y-%m-%d %H:%M}"),
        ]
    )
    for metal in statement.metals:
        named = f"{Metal(metal.metal).label} ({metal.metal})"
        paper.ruled(((named, 94), ("g", -40), ("ozt", -40)), list(_lines(metal)))
    if not statement.metals:
        paper.say("No metal was on the books.", 5)
    _sign(paper, statement.statement_digest, pack.signed)
    paper.small_print(
        (SIGN_CONVENTION, STATEMENT_SIGNS, STATEMENT_THROUGHPUT, PERCENT_RULE, OUNCE_RULE)
    )
    return paper.in_bytes()


def _taken(step: StepTaken) -> str:
    return f"{local(step.at):%Y-%m-%d %H:%M} by {step.who}" + (
        f". {step.note}" if step.note else ""
    )


def _lines(metal: MetalStatement) -> Iterator[tuple[str, str, str]]:
    yield _line("Opening book", metal.opening_ug)
    for line in metal.lines:
        if line.change_ug:
            yield _line(f"    {line.name}", line.change_ug, sign="+")
    yield _line("Closing book", metal.closing_ug)
    if not metal.is_counted:
        yield ("Not counted", "", "")
        return
    percent = metal.difference_percent
    share = "" if percent is None else f" ({percent} % of throughput)"
    yield _line("Physical inventory", metal.physical_ug)
    yield _line(f"Difference, book less physical{share}", metal.difference_ug, sign="+")
    yield _line("    adjusted on the books", metal.adjusted_ug, sign="+")
    yield _line("    not adjusted", metal.unadjusted_ug, sign="+")


def _line(text: str, mass_ug: int, sign: str = "") -> tuple[str, str, str]:
    return text, f"{ug_to_g(mass_ug):{sign},.6f}", f"{ounces_of(mass_ug):{sign},.6f}"


def _sign(paper: Paper, statement_digest: str, signed: Signed | None) -> None:
    facts = [("Digest", statement_digest), ("Signature", signature_line(signed))]
    if signed is not None:
        facts += [
            ("Fingerprint", signed.fingerprint),
            ("Public key", signed.public_key),
            ("Signed with", signed.signature),
        ]
        content = {
            "signed": {
                "content": signed.content,
                "public_key": signed.public_key,
                "signature": signed.signature,
            }
        }
        # Uncompressed ASCII, so that it is read out of the file without a library for PDF.
        paper.embed_file(
            bytes=json.dumps(content).encode("ascii"),
            basename=ATTACHED_NAME,
            desc="What was signed, with key and signature",
            compress=False,
        )
    paper.facts(facts)
