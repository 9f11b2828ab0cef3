"""What a bleed takes beyond the book is kept as measured, and marked."""

from __future__ import annotations

from cells.services.bleed import bleed_electrolyte
from lots.ledger import accounts
from lots.measurements.outputs import Volume
from lots.models import Excess


def test_what_was_bled_beyond_the_book_is_marked(bench):
    batch = bench.electrolyte(silver="10")
    solution = bleed_electrolyte(
        batch=batch,
        volume=Volume(6_000_000, 20_000),
        place=bench.works.places["wet-bench"],
        assay=bench.assay("g_per_l", Ag="25"),
        act=bench.act(1),
    )
    excess = Excess.objects.get(movement=solution.standings.get().movement, metal="Ag")
    assert (excess.excess_ug, excess.account.code) == (30_000_000, accounts.CELL_DIFFERENCE)
