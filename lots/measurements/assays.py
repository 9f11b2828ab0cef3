"""Keeps what a laboratory reported of a lot."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.event import SUBJECT, Asks, Event, On
from lots.fineness import WHOLE_PPT, check_contents
from lots.ledger.recording import Act, recorded_once
from lots.metals import Metal
from lots.models import Assay, AssayResult, Lot, Party
from lots.queries.likely_lots import assayed_held
from lots.services.lot_register import ON_LOT, THERE, of_lot
from lots.texts import checked_text
from lots.units import parse_decimal

# Above what any solution of these metals holds; a larger figure is a slip of unit.
CONCENTRATION_G_PER_L_MAX: Final = Decimal(2000)


@dataclass(frozen=True)
class Finding:
    """One metal's figure in the report's basis, with its standard uncertainty."""

    value: Decimal
    standard_uncertainty: Decimal


@dataclass(frozen=True)
class AssayReport:
    """A laboratory's report: method, whose side it speaks for, and its findings by metal."""

    method: Annotated[str, Asks("Assayed by", choices=Assay.Method)]
    laboratory: Party
    findings: Annotated[
        Mapping[str, Finding],
        Asks("Assay results", "Each metal's result and its standard uncertainty.", "results"),
    ]
    side: Annotated[str, Asks("Whose result it is", choices=Assay.Side)] = Assay.Side.HOUSE
    basis: Annotated[str, Asks("Results are in", choices=Assay.Basis)] = Assay.Basis.FINENESS
    certificate: Annotated[str, Asks(at_most=80)] = ""
    sample: Annotated[Lot | None, Asks(on_page=False)] = None
    taken_at: Annotated[dt.datetime | None, Asks(on_page=False)] = None


def check_report(report: AssayReport, *, field: str = "assay") -> None:
    """Refuses findings that can't be: see `check_contents`; also `nothing_found`, `too_large`."""
    if not report.findings:
        raise refuse("nothing_found", field=f"{field}.results")
    values = {metal: finding.value for metal, finding in report.findings.items()}
    results = f"{field}.results"
    if report.basis == Assay.Basis.FINENESS:
        check_contents(values, field=results)
        ceiling = WHOLE_PPT
    else:
        ceiling = CONCENTRATION_G_PER_L_MAX
        check_contents(dict.fromkeys(values, 0), field=results)
        for metal, value in values.items():
            parse_decimal(value, field=f"{results}.{metal}", minimum=Decimal(0), maximum=ceiling)
    for metal, finding in report.findings.items():
        parse_decimal(
            finding.standard_uncertainty,
            field=f"{results}.{metal}.standard_uncertainty",
            minimum=Decimal(0),
            maximum=ceiling,
        )


def keep_assay(lot: Lot, report: AssayReport, act: Act, *, field: str = "assay") -> Assay:
    """The report as a fact of `lot`; it changes nothing on the books until it rules the lot."""
    check_report(report, field=field)
    certificate = checked_text(report.certificate, field=f"{field}.certificate", limit=80)
    assay = Assay.objects.create(
        lot=lot,
        sample=report.sample,
        method=report.method,
        laboratory=report.laboratory,
        side=report.side,
        basis=report.basis,
        certificate=certificate,
        taken_at=report.taken_at or act.moment,
        reported_at=act.moment,
        recorded_at=clock.now(),
        recorded_by_id=act.who.pk,
        note=act.note,
    )
    order = list(Metal.values)
    AssayResult.objects.bulk_create(
        AssayResult(
            assay=assay,
            metal=metal,
            value=report.findings[metal].value,
            standard_uncertainty=report.findings[metal].standard_uncertainty,
        )
        for metal in sorted(report.findings, key=order.index)
    )
    return assay


ON_ASSAY: Final = On(
    Assay,
    "assays/<int:pk>",
    "assay",
    related=("lot", "laboratory"),
    template="lots/lots_thing_step.html",
    page="lot",
    page_of="lot.code",
)


@recorded_once
def record_assay(
    *, lot: Lot, report: Annotated[AssayReport, Asks(name="assay")], act: Act
) -> Assay:
    """Records one laboratory's report of a lot. Several may stand side by side."""
    return keep_assay(lot, report, act)


def _usual(lot: Lot) -> dict[str, Any]:
    """The only laboratory there is, and grams per litre for a solution."""
    liquid = {"basis": Assay.Basis.CONCENTRATION} if lot.is_liquid else {}
    only = list(Party.objects.filter(kind=Party.Kind.LABORATORY, is_active=True)[:2])
    return {**({"laboratory": only[0].pk} if len(only) == 1 else {}), **liquid}


ASSAY: Final = Event(
    record_assay,
    on=ON_LOT,
    lands=SUBJECT,
    at="assays",
    name="assay",
    about="Record a laboratory's report of a lot.",
    title="Enter an assay",
    lead="The report is kept beside the lot. It changes the books when someone lets it rule.",
    button="Keep the report",
    done="The report is kept. Let it rule if it is the one that counts.",
    order=("method", "laboratory", "results", "basis"),
    cautions=("assay",),
    begins=_usual,
    page_at="assay",
    menu=of_lot("Enter an assay", 20, "Results with their uncertainty", *THERE),
    likely=assayed_held,
)
