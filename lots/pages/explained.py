"""How the figures of lots come about."""

from __future__ import annotations

from typing import Final

from config.explained import Explained

_GUM: Final = "JCGM 100:2008, 5.1.2"

FIGURES: Final = (
    Explained(
        "metal-in-lot",
        "Metal in a lot",
        "The sum of every entry of that metal into and out of the lot, in whole micrograms. The "
        "screen rounds to the milligram and the thousandth of a troy ounce; the books never do.",
    ),
    Explained(
        "metal-by-assay",
        "Metal by assay",
        "Net weight times fineness, divided by 1000; of a solution, volume times grams per litre. "
        "Its standard uncertainty combines those of weight and fineness in squares.",
        _GUM,
    ),
    Explained(
        "net-weight",
        "Net weight and its uncertainty",
        "Gross less tare. The balance's own standard uncertainty counts once when the pan was "
        "tared and twice, in squares, when gross and tare were read apart.",
        _GUM,
    ),
    Explained(
        "limit-of-error",
        "Limit of error",
        "1.96 times the standard uncertainty: half of an interval that holds the true value in 95 "
        "of 100 cases when errors are normal.",
        "JCGM 100:2008, table G.1",
    ),
    Explained(
        "declared",
        "Declared content",
        "Net weight times the fineness that the sender wrote. It stands until an assay rules; what "
        "the assay finds differently goes to the account “assay difference”.",
    ),
    Explained(
        "excess",
        "An excess",
        "What an output measured above what the book had left for it. It is not refused: it is "
        "drawn from a named difference account in the same movement, and shown until explained.",
    ),
)
