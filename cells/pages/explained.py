"""How the figures of cells, electrolytes and slimes come about."""

from __future__ import annotations

from typing import Final

from config.explained import Explained
from lots.elements import electrochemical_equivalent_g_per_ah

_SILVER_G_PER_AH: Final = round(electrochemical_equivalent_g_per_ah("Ag", 1), 4)
_CONSTANTS: Final = "CODATA Faraday constant, CIAAW atomic weights"

FIGURES: Final = (
    Explained(
        "faraday",
        "Silver by Faraday's law",
        f"Ampere-hours times {_SILVER_G_PER_AH} g: the silver that would plate if all of the "
        "charge plated silver. Ampere-hours are counted from the readings by the trapezoid rule; "
        "gaps are told apart and bridged by a straight line.",
        _CONSTANTS,
    ),
    Explained(
        "bath",
        "Silver and copper in the bath",
        "One estimate from everything known of the run: what dissolves at the anode equals in "
        "charge what plates as silver, but for what either electrode loses, so each gram of copper "
        "that dissolves takes about 3.395 g of silver out. Every reading, assay, weighing, volume "
        "and top-up counts, in any order; what nobody measured stays as wide as it is. The band is "
        "the 95 % interval.",
        _CONSTANTS,
    ),
    Explained(
        "run-forecast",
        "A run's forecast",
        "Several laws of falling current and a general one are fitted together with the rest, each "
        "weighed by how well it explains the readings, and followed until contact is lost. What "
        "past runs of the cell showed narrows it. It assumes that power stays on and nobody "
        "intervenes.",
    ),
    Explained(
        "run-difference",
        "A run's difference",
        "Book less what was found (weighed, measured or computed from charge): positive is "
        "an apparent loss, negative an apparent gain.",
    ),
    Explained(
        "electrolyte-book",
        "An electrolyte's book",
        "Each metal's entries divided by the volume on the books. While a run is under way it "
        "shows the electrolyte as it went in; closing the run sets it to what was measured. What "
        "was not measured stays as the balance of mass has it, with the estimate beside it.",
    ),
    Explained(
        "slimes-estimate",
        "A slimes bag's estimate",
        "Gold, platinum and rhodium: all that was charged. Silver, copper and palladium: a share "
        "learnt from what past recoveries found beside what had been estimated. Of what nobody "
        "stated, what such feed may hold: expected, and not on the books.",
    ),
    Explained(
        "at-stake",
        "Metal at stake in a bag",
        "The precious metals of its estimate added up in grams, with their standard uncertainty. "
        "Bags that may hold the most, by the upper end of the interval, come first.",
    ),
)
