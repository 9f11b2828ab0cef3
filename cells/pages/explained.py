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
        "From the book at the charge, step by step with the ampere-hours: what dissolves at the "
        "anode equals in charge what plates as silver, so each gram of copper that dissolves takes "
        "about 3.395 g of silver out. Top-ups, bleeds and measurements on the way correct it; the "
        "band is its 95 % interval.",
        _CONSTANTS,
    ),
    Explained(
        "run-forecast",
        "A run's forecast",
        "The current's trend is continued until the anode's charge has passed: several models are "
        "fitted and tried on the readings left out, the best one gives the middle, all plausible "
        "ones together the 95 % interval. It assumes that power stays on and nobody intervenes.",
        "propagation as in JCGM 101:2008",
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
        "shows the electrolyte as it went in; closing the run sets it to what was measured, or "
        "without a measurement to the charge balance.",
    ),
    Explained(
        "slimes-estimate",
        "A slimes bag's estimate",
        "Gold, platinum and rhodium: all that was charged. Silver, copper and palladium: a share "
        "learnt from what past recoveries found beside what had been estimated.",
    ),
    Explained(
        "at-stake",
        "Metal at stake in a bag",
        "The precious metals of its estimate added up in grams, with their standard uncertainty. "
        "Bags with the most at stake come first.",
    ),
)
