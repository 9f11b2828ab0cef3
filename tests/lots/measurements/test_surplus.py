"""A measurement is a fact and the book an opinion: what the book lacks is drawn and marked."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace

import pytest

from lots.ledger.holdings import holding
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding
from lots.measurements.outputs import Content
from lots.measurements.surplus import COVERAGE_FACTOR, book_uncertainty_ug, draw, rest_to_difference
from lots.models import Entry, Excess, Lot, ProcessBatch
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.taking import Take
from tests.builders import GRAM, receive, weighed_output

Make = Callable[..., Act]
ACCOUNT = "recovery-difference"


@pytest.fixture
def batch(works: SimpleNamespace, act: Make) -> ProcessBatch:
    """Ten grams of fine silver of the house in a dish."""
    lot = receive(works, act(), 10, {"Ag": Decimal(1000)})
    return start_batch(
        kind="slimes_recovery",
        place=works.places["wet-bench"],
        inputs=Inputs([Take(lot)]),
        act=act(1),
    )


def assayed(works: SimpleNamespace, silver_ppt: str, u_ppt: str) -> AssayReport:
    finding = Finding(Decimal(silver_ppt), Decimal(u_ppt))
    return AssayReport("gravimetric", works.laboratory, {"Ag": finding})


def test_within_the_book_nothing_is_drawn_from_outside(
    works: SimpleNamespace, act: Make, batch: ProcessBatch
) -> None:
    output = Lot(owner=works.house)
    contents = [Content("Ag", 10 * GRAM, "measured")]
    lines, surpluses = draw(batch.vessel, output, contents, ACCOUNT, act(2))
    assert [(line.lot, line.account, line.mass_ug) for line in lines] == [
        (output, "", 10 * GRAM),
        (batch.vessel, "", -10 * GRAM),
    ]
    assert surpluses == []


def test_above_the_book_the_rest_comes_from_the_difference(
    works: SimpleNamespace, act: Make, batch: ProcessBatch
) -> None:
    contents = [Content("Ag", 10 * GRAM + 7, "measured"), Content("Au", 5, "measured")]
    lines, surpluses = draw(batch.vessel, Lot(owner=works.house), contents, ACCOUNT, act(2))
    drawn = {(line.metal, line.account): line.mass_ug for line in lines if line.account}
    assert drawn == {("Ag", ACCOUNT): -7, ("Au", ACCOUNT): -5}
    assert sum(line.mass_ug for line in lines) == 0
    assert [(each.metal, each.excess_ug) for each in surpluses] == [("Ag", 7), ("Au", 5)]
    assert [each.limit_of_error_ug for each in surpluses] == [None, None], "nothing is known of it"


def test_nothing_measured_draws_nothing(
    works: SimpleNamespace, act: Make, batch: ProcessBatch
) -> None:
    contents = [Content("Ag", 0, "measured")]
    assert draw(batch.vessel, Lot(), contents, ACCOUNT, act(2)) == ([], [])


def test_an_assayed_output_above_the_book_is_marked_with_its_limit_of_error(
    works: SimpleNamespace, act: Make, batch: ProcessBatch
) -> None:
    """10.5 g at 990 ppt is 10.395 g of silver where the book has 10 g.

    u^2 = (w u(f)/1000)^2 + (u(w) f/1000)^2 (JCGM 100:2008, 5.1.2), with u(f) = 2 ppt and
    u(w) = 0.1 g: (0.021 g)^2 + (0.099 g)^2, so u = 0.10120 g and the 95 % half-width 0.19836 g.
    """
    output = weighed_output(works, 10.5, None, assay=assayed(works, "990", "2"))
    recovered = record_output(batch=batch, output=output, act=act(2))
    assert holding(recovered).metals == {"Ag": 10_395_000}
    assert recovered.content == Lot.Content.ASSAYED
    excess = Excess.objects.get()
    assert (excess.metal, excess.excess_ug) == ("Ag", 395_000)
    assert (excess.lot, excess.account.code, excess.state) == (recovered, ACCOUNT, "open")
    assert COVERAGE_FACTOR == 1.96
    assert excess.limit_of_error_ug == pytest.approx(198_360, rel=1e-4)
    entry = Entry.objects.get(lot=recovered)
    assert entry.standard_uncertainty_ug == pytest.approx(101_203, rel=1e-4)
    assert entry.content_by is not None
    assert entry.quantity_by is not None


def test_the_book_lends_its_own_uncertainty_to_the_limit(
    works: SimpleNamespace, act: Make, batch: ProcessBatch
) -> None:
    first = weighed_output(works, 4, None, assay=assayed(works, "1000", "1"))
    lot = record_output(batch=batch, output=first, act=act(2))
    # w u(f)/1000 = 4 mg and u(w) f/1000 = 100 mg.
    assert book_uncertainty_ug(lot) == {"Ag": pytest.approx(100_080, rel=1e-4)}
    assert book_uncertainty_ug(batch.vessel) == {}


def test_what_is_left_by_the_book_goes_to_the_difference(
    works: SimpleNamespace, act: Make, batch: ProcessBatch
) -> None:
    record_output(batch=batch, output=weighed_output(works, 9, {"Ag": Decimal(1000)}), act=act(2))
    lines = rest_to_difference(batch.vessel, ACCOUNT, act(3))
    assert [(line.lot, line.account, line.mass_ug) for line in lines] == [
        (batch.vessel, "", -1 * GRAM),
        (None, ACCOUNT, 1 * GRAM),
    ]
    close_batch(batch=batch, act=act(3))
    assert rest_to_difference(batch.vessel, ACCOUNT, act(4)) == []
