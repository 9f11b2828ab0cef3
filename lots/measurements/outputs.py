"""An output as measured: what came out, how much of it, and the metal it holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from math import hypot
from typing import Annotated

from config.refusals import InvalidError, refuse
from lots import clock
from lots.declaration.event import Asks
from lots.fineness import check_contents, content_ug
from lots.ledger.drafts import MaterialLine
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, keep_assay
from lots.measurements.weighings import Weight, keep_weighing
from lots.metals import Metal
from lots.models import (
    Assay,
    AssayResult,
    Entry,
    Lot,
    Measurement,
    Place,
    VolumeReading,
    Weighing,
)
from lots.texts import DESCRIPTION_MAX


@dataclass(frozen=True)
class Volume:
    """A volume read, with its standard uncertainty."""

    volume_ul: Annotated[int, Asks("Volume")]
    standard_uncertainty_ul: Annotated[
        int, Asks("Standard uncertainty of the volume", "As in 20 ml.")
    ]


@dataclass(frozen=True)
class Output:
    """What came out: weighed or measured by volume; its content assayed, declared or estimated.

    `estimated` (micrograms by metal) is for what is taken out without being assayed, such as a
    filter left for later; exactly one of `assay`, `declared` and `estimated` is given.
    """

    form: Annotated[str, Asks("What it is", choices=Lot.Form)]
    place: Annotated[Place, None, Asks("Where it is put")]
    weight: Weight | None = None
    volume: Volume | None = None
    assay: AssayReport | None = None
    declared: Annotated[
        Mapping[str, Decimal] | None,
        Asks("Or a content taken as given", "Parts per thousand (‰)."),
    ] = None
    estimated: Annotated[
        Mapping[str, int] | None,
        Asks(
            "Or an estimate",
            "Masses with their unit, for what is taken out without being assayed.",
        ),
    ] = None
    description: Annotated[str, Asks(at_most=DESCRIPTION_MAX)] = ""


@dataclass(frozen=True)
class Content:
    """Micrograms of one metal in an output, what the figure rests on and how sure it is."""

    metal: str
    mass_ug: int
    basis: str
    standard_uncertainty_ug: int | None = None
    quantity_by: Measurement | None = None
    content_by: Assay | None = None


def contents_by_assay(
    net_ug: int, u_net_ug: int, assay: Assay, weighing: Measurement | None
) -> list[Content]:
    """Weight times fineness for each metal of an assay in parts per thousand.

    u(m)^2 = (m u(w)/w)^2 + (w u(f)/1000)^2 for independent weight and fineness
    (JCGM 100:2008, 5.1.2).
    """
    contents = []
    for result in AssayResult.objects.filter(assay=assay).order_by("id"):
        mass_ug = content_ug(net_ug, result.value)
        spread = hypot(
            u_net_ug * float(result.value) / 1000,
            net_ug * float(result.standard_uncertainty) / 1000,
        )
        contents.append(
            Content(result.metal, mass_ug, Entry.Basis.MEASURED, round(spread), weighing, assay)
        )
    return contents


def contents_by_concentration(
    volume_ul: int, u_volume_ul: int, assay: Assay, reading: Measurement | None
) -> list[Content]:
    """Volume times concentration (g/L equals ug/ul) for each metal of an assay of a solution."""
    contents = []
    for result in AssayResult.objects.filter(assay=assay).order_by("id"):
        mass_ug = round(Decimal(volume_ul) * result.value)
        spread = hypot(
            u_volume_ul * float(result.value), volume_ul * float(result.standard_uncertainty)
        )
        contents.append(
            Content(result.metal, mass_ug, Entry.Basis.MEASURED, round(spread), reading, assay)
        )
    return contents


def contents_declared(net_ug: int, fineness: Mapping[str, Decimal]) -> list[Content]:
    """Weight times a stated fineness."""
    return [
        Content(metal, content_ug(net_ug, ppt), Entry.Basis.DECLARED)
        for metal, ppt in fineness.items()
    ]


def check_output(output: Output) -> None:
    """Refuses an output that says too little or too much of itself.

    Raises InvalidError `one_content_needed`, `quantity_needed`, `basis_without_quantity`,
    `not_positive`, `unknown_metal`, or what `check_contents` raises.
    """
    given = [each for each in (output.assay, output.declared, output.estimated) if each is not None]
    if len(given) != 1:
        raise refuse("one_content_needed", field="output")
    if output.weight is None and output.volume is None and output.estimated is None:
        raise refuse("quantity_needed:outputs", field="output.weight")
    if output.declared is not None:
        if output.weight is None:
            raise refuse("basis_without_quantity:outputs", field="output.declared", value="ppt")
        check_contents(dict(output.declared), field="output.declared")
    for metal, mass_ug in (output.estimated or {}).items():
        if metal not in Metal.values or mass_ug < 0:
            raise InvalidError(
                "An estimate is a known metal and a mass not below zero.",
                code="not_positive" if metal in Metal.values else "unknown_metal",
                field=f"output.estimated.{metal}",
                value=mass_ug,
                remedy="Enter micrograms of a metal that is followed here.",
            )


def content_of(output: Output) -> str:
    """What the new lot's book content rests on (a `Lot.Content`)."""
    if output.assay is not None:
        return Lot.Content.ASSAYED
    return Lot.Content.DECLARED if output.declared is not None else Lot.Content.BY_DIFFERENCE


def measure(
    lot: Lot, output: Output, act: Act, *, purpose: str = Weighing.Purpose.OUTPUT
) -> tuple[list[Content], MaterialLine]:
    """What the output holds by its measurements, kept as facts, and its own mass or volume."""
    weighing = keep_weighing(lot, output.weight, purpose, act) if output.weight else None
    reading = keep_volume(lot, output.volume, act) if output.volume else None
    quantity = weighing or reading
    material = MaterialLine(
        lot,
        mass_ug=weighing.net_ug if weighing else 0,
        volume_ul=reading.volume_ul if reading else 0,
        quantity_by=quantity,
    )
    if output.assay is not None:
        return _assayed(lot, output.assay, weighing, reading, act), material
    if output.declared is not None and weighing is not None:
        return contents_declared(weighing.net_ug, output.declared), material
    assert output.estimated is not None
    estimated = [Content(*each, Entry.Basis.COMPUTED) for each in output.estimated.items()]
    return estimated, material


def _assayed(
    lot: Lot,
    report: AssayReport,
    weighing: Weighing | None,
    reading: VolumeReading | None,
    act: Act,
) -> list[Content]:
    assay = keep_assay(lot, report, act)
    if assay.basis == Assay.Basis.FINENESS and weighing is not None:
        return contents_by_assay(weighing.net_ug, weighing.standard_uncertainty_ug, assay, weighing)
    if assay.basis == Assay.Basis.CONCENTRATION and reading is not None:
        return contents_by_concentration(
            reading.volume_ul, reading.standard_uncertainty_ul, assay, reading
        )
    raise refuse("basis_without_quantity:outputs", field="output.assay.basis", value=assay.basis)


def keep_volume(lot: Lot, volume: Volume, act: Act, *, field: str = "volume") -> VolumeReading:
    """A volume as a fact of `lot`. Raises InvalidError `not_positive`."""
    if volume.volume_ul <= 0 or volume.standard_uncertainty_ul < 0:
        raise refuse("not_positive:outputs", field=field, value=volume.volume_ul)
    return VolumeReading.objects.create(
        kind=Measurement.Kind.VOLUME,
        lot=lot,
        taken_at=act.moment,
        recorded_at=clock.now(),
        taken_by_id=act.who.pk,
        volume_ul=volume.volume_ul,
        standard_uncertainty_ul=volume.standard_uncertainty_ul,
    )
