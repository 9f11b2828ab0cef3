"""A laboratory's analysis of fine metal for impurities is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, Event
from lots.fineness import check_contents
from lots.grades import ANALYSED
from lots.ledger.recording import Act, recorded_once
from lots.models import ImpurityAnalysis, Lot, Party
from lots.services.lot_register import ON_LOT, of_lot
from lots.texts import checked_text

CERTIFICATE_MAX: Final = 80


@dataclass(frozen=True)
class ImpurityReport:
    """What the laboratory found: parts per thousand by element."""

    laboratory: Party
    contents_ppt: Annotated[
        Mapping[str, object],
        Asks(help="Parts per thousand by element, silver too.", name="contents", on_page=False),
    ]
    certificate: Annotated[str, Asks("Certificate", at_most=CERTIFICATE_MAX)] = ""


@recorded_once
def record_impurities(*, lot: Lot, report: ImpurityReport, act: Act) -> ImpurityAnalysis:
    """Keeps an analysis of a lot. It changes nothing on the books: assays do.

    Raises InvalidError `nothing_measured`, what `check_contents` raises on `contents`, and what
    `checked_text` raises.
    """
    certificate = checked_text(report.certificate, field="certificate", limit=CERTIFICATE_MAX)
    contents = check_contents(report.contents_ppt, field="contents", allowed=ANALYSED)
    if not contents:
        raise refuse("nothing_measured:impurities", field="contents")
    return ImpurityAnalysis.objects.create(
        lot=lot,
        laboratory=report.laboratory,
        certificate=certificate,
        contents_ppt={element: f"{ppt:f}" for element, ppt in contents.items()},
        reported_at=act.moment,
        recorded_at=clock.now(),
        recorded_by_id=act.who.pk,
        note=act.note,
    )


def _only_laboratory(lot: Lot) -> Mapping[str, object]:
    laboratories = Party.objects.filter(kind=Party.Kind.LABORATORY, is_active=True)[:2]
    return {"laboratory": laboratories[0].pk} if len(laboratories) == 1 else {}


RECORD_IMPURITIES: Final = Event(
    record_impurities,
    on=ON_LOT,
    at="impurities",
    about="Keep a laboratory's analysis of fine metal for impurities.",
    name="impurities",
    title="Enter an impurity analysis",
    lead="It is kept beside the lot and changes nothing on the books: assays do.",
    button="Keep the analysis",
    done="The analysis is kept; this is the grade it reaches.",
    cautions=("assay",),
    flat=("report",),
    begins=_only_laboratory,
    menu=of_lot("Enter impurities", 21, "And see the grade", Lot.Form.FINE_CRYSTAL, Lot.Form.BAR),
)
