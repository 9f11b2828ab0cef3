"""How the figures of reports, counts and settlements come about."""

from __future__ import annotations

from typing import Final

from config.explained import Explained
from reports import conventions
from reports.queries.lot.lot_answer_lines import MIXING
from reports.queries.obligations import COVER

FIGURES: Final = (
    Explained("month-difference", "A month's difference", conventions.SIGN_CONVENTION),
    Explained("statement", "The lines of a month's statement", conventions.STATEMENT_SIGNS),
    Explained("throughput", "Throughput of a month", conventions.STATEMENT_THROUGHPUT),
    Explained("stage-throughput", "Throughput of a stage", conventions.STAGE_THROUGHPUT),
    Explained(
        "best-estimate",
        "Best estimate",
        "All measurements of the month are adjusted at once, each by as little as its uncertainty "
        "allows, until no metal appears from nowhere and the charge of each run balances: weighted "
        "least squares under those constraints. Nothing on the books changes by it.",
    ),
    Explained(
        "doubt",
        "The measurement to doubt",
        "Each reading's adjustment is divided by its own standard uncertainty. The one whose "
        "removal explains most is set aside and the rest is tried again, at a level that keeps "
        "false alarms over all readings together at the one stated.",
    ),
    Explained(
        "mixing", "Where a mixed lot's metal came from", MIXING, "common practice, no source"
    ),
    Explained("cover", "Owed against held", COVER),
    Explained(
        "holdings",
        "Held and owed",
        "Held is the sum of all lots; kept apart are customers' own lots; owed from the pool are "
        "their claims. The house's own is what is left, and may be less than nothing.",
    ),
    Explained("ounces", "Troy ounces", conventions.OUNCE_RULE, "NIST Handbook 44, Appendix C"),
)
