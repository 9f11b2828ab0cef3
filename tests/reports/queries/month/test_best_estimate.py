"""The demo's months reconciled: the mis-keyed weighing is named first, and nobody wrongly.

Tern Quay Refining and all its figures are invented. What its metal truly is, the story knows.
"""

from __future__ import annotations

import datetime as dt
import io
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from openpyxl import load_workbook

from lots import clock
from lots.ledger.holdings import AsOf, balances
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.models import Entry, Lot, Movement, ProcessBatch, Weighing
from reports.demo.wet_work import WetWork
from reports.exports.month_end import month_end_tables
from reports.exports.workbook import write_workbook
from reports.json_ready import json_ready
from reports.queries.inventory import inventory
from reports.queries.month.best_estimate import BestEstimate, best_estimate, holdings_by
from reports.queries.month.difference_sequence import difference_sequences, month_differences
from reports.queries.month.entry_uncertainty import book_uncertainty, expanded_for
from reports.queries.month.figure_uncertainty import (
    inventory_uncertainty,
    lot_uncertainty,
    statement_uncertainty,
)
from reports.queries.month.month_network import month_network
from reports.queries.month.month_pack import month_pack
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import month_period
from reports.statistics.equations import solve
from reports.statistics.inventory_difference import Verdict
from reports.statistics.mistake_shapes import Shape
from tests.builders import month_2026
from tests.reports.queries.month.test_metal_flow import unbalanced

pytestmark = pytest.mark.django_db

UG = 1_000_000
APRIL, MAY, JUNE = map(month_2026, (4, 5, 6))


@pytest.fixture(scope="module")
def june(demo: WetWork, django_db_blocker: Any) -> BestEstimate:
    with django_db_blocker.unblock():
        return best_estimate(JUNE)


def true_crystal_g(demo: WetWork, name: str) -> float:
    return demo.bench.outcomes[demo.runs[name].code].crystal.mass_g


def test_the_miskeyed_weighing_is_named_first(demo: WetWork, june: BestEstimate) -> None:
    wrong = Weighing.objects.get(harvest__run=demo.runs["N3"])
    off_g = wrong.net_ug / UG - true_crystal_g(demo, "N3")
    first = june.suspicions[0]
    assert first.measurement == wrong.pk
    assert first.kind == "weighing"
    assert abs(first.bias - off_g) <= 2 * first.u
    assert abs(off_g) > 10 * first.u
    assert first.explanations[0].shape is Shape.TRANSPOSED
    assert first.sentence.startswith(f"weighing {wrong.pk} of lot {wrong.lot.code} at 2026-06-17")
    assert " g low; re-weigh this lot first" in first.sentence


def test_what_is_proposed_is_the_true_gross_and_nothing_is_posted(
    demo: WetWork, june: BestEstimate
) -> None:
    proposal = june.suspicions[0].proposal
    assert proposal is not None
    harvest = demo.runs["N3"].harvests.get()
    assert proposal.reverse[-1] == harvest.movement.sequence
    kinds = [Movement.objects.get(sequence=number).kind for number in proposal.reverse]
    assert kinds == ["run_close", "rinse", "harvest"]
    true_gross = Decimal(true_crystal_g(demo, "N3") + 305)
    assert abs(proposal.value - true_gross) < 1
    assert harvest.weighing.gross_ug != proposal.value * UG
    before = Movement.objects.count()
    best_estimate(JUNE)
    assert Movement.objects.count() == before


def test_what_was_put_in_is_told_by_its_movement(demo: WetWork) -> None:
    sources = [each for month in (APRIL, MAY) for each in month_network(month).sources.values()]
    supplied = [each for each in sources if each.name.startswith("supplies of movement ")]
    assert supplied
    assert all(f" {each.movement and each.movement.sequence}," in each.name for each in supplied)


def test_every_answer_is_plain_data(demo: WetWork, june: BestEstimate) -> None:
    assert json_ready(june)["suspicions"][0]["kind"] == "weighing"
    assert json_ready(difference_sequences(JUNE))


def test_once_it_is_set_aside_the_rest_fits(june: BestEstimate) -> None:
    assert len(june.suspicions) == 1
    assert june.p_value < 1e-9
    assert june.p_left > 0.01


@pytest.mark.parametrize("period", [APRIL, MAY], ids=str)
def test_closed_months_accuse_nobody(demo: WetWork, period) -> None:  # type: ignore[no-untyped-def]
    estimate = best_estimate(period)
    assert not estimate.suspicions
    assert not [each.name for each in estimate.readings if each.flagged]
    assert estimate.p_value > 0.05
    assert estimate.dof > 10
    assert estimate.converged


def test_best_estimates_lie_about_what_is_truly_there(demo: WetWork, june: BestEstimate) -> None:
    """Of areas that hold no lot of which only a sender's word is known."""
    true: dict[tuple[str, str], float] = {}
    book = book_uncertainty(JUNE.closing())
    for lot in Lot.objects.filter(pk__in={pk for pk, _ in book.held}).select_related("place"):
        truth = demo.bench.cast.true.get(lot.code) or demo.bench.charges.get(
            getattr(getattr(lot, "cell_run", None), "code", "")
        )
        assert truth is not None, lot
        for metal, grams in truth.metals_g.items():
            # Copper that a sender did not declare is on no book until an assay finds it.
            if (lot.pk, metal) in book.held:
                key = metal, lot.place.area
                true[key] = true.get(key, 0.0) + grams
    compared = 0
    for key, each in holdings_by(june).items():
        if key[1] == "cell" or not key[1] or each.by_book_ug:
            # The running cell truly holds less than its book: the run is not harvested yet.
            continue
        compared += 1
        assert (
            abs(each.set_aside_ug / UG - true.get(key, 0.0)) <= 3 * each.set_aside_u_ug / UG + 0.002
        )
    assert compared >= 4


def test_a_holding_in_doubt_moves_by_what_was_misread(demo: WetWork, june: BestEstimate) -> None:
    fine = holdings_by(june)["Ag", "fine_store"]
    off_ug = june.suspicions[0].bias * UG
    assert fine.set_aside_ug - fine.book_ug == pytest.approx(-off_ug, rel=0.01)
    assert abs(fine.best_ug - fine.book_ug) < fine.book_u_ug


def test_streams_tell_measured_from_computed(demo: WetWork, june: BestEstimate) -> None:
    harvest = demo.runs["N3"].harvests.get()
    flows = {
        (each.giver, each.taker): each
        for each in june.streams
        if each.movement == harvest.movement.sequence and each.metal == "Ag"
    }
    run = demo.runs["N3"]
    crystal = flows[run.electrolyte.lot.code, harvest.lot.code]
    dissolved = flows[run.charge_lot.code, run.electrolyte.lot.code]
    assert crystal.standing == "checked"
    assert crystal.measured_ug == pytest.approx(
        Entry.objects.get(movement=harvest.movement, lot=harvest.lot, metal="Ag").mass_ug, abs=2
    )
    assert dissolved.standing == "follows"
    assert dissolved.measured_ug is None
    received = [each for each in june.streams if each.giver == "outside"]
    assert {each.measured_ug for each in received} == {None}


def test_reading_estimates_are_never_less_sure_than_before(june: BestEstimate) -> None:
    assert all(each.u_after <= each.u_before * (1 + 1e-9) for each in june.readings)


def test_metal_is_conserved_in_every_estimate(demo: WetWork) -> None:
    """All that was brought in, less all that went out, is what is held: per metal, in grams."""
    ledger = month_network(APRIL)
    solution = solve(ledger.network.equations)
    network = ledger.network
    for metal in ("Ag", "Cu"):
        inside = [
            number for held in network.holdings.values() for m, number in held.items() if m == metal
        ]
        came = [s.figure for s in network.streams if s.metal == metal and s.giver == "outside"]
        went = [s.figure for s in network.streams if s.metal == metal and s.taker == "outside"]
        lost = [
            number
            for name, number in network.equations.numbers.items()
            if name.startswith(f"loss of {metal} ")
        ]
        brought = [
            number
            for name, number in network.equations.numbers.items()
            if name.startswith(f"{metal} undeclared")
        ]
        known = solution.estimates
        unknown = [n for n in [*inside, *came, *went, *lost, *brought] if not solution.is_known(n)]
        # The school's scrap was never assayed: the same unknown on both sides.
        total = sum(known[n] for n in [*came, *brought] if n not in unknown)
        total -= sum(known[n] for n in [*inside, *went, *lost] if n not in unknown)
        assert total == pytest.approx(0, abs=1e-6)


# The books' own uncertainty


def test_every_holding_has_the_book_mass_and_an_uncertainty(demo: WetWork) -> None:
    book = book_uncertainty()
    held = {(row["lot_id"], row["metal"]): row["total"] for row in balances(AsOf())}
    assert set(held) == set(book.held)
    for key, mass_ug in held.items():
        assert book.held[key].value == pytest.approx(mass_ug, abs=1)
        assert book.held[key].u > 0


def test_entries_of_one_movement_cancel_with_their_errors(demo: WetWork) -> None:
    book = book_uncertainty()
    for movement in Movement.objects.filter(pk__in=Entry.objects.values("movement")):
        for metal in {entry.metal for entry in movement.entries.all()}:
            figure = book.of_entries(
                movement.entries.filter(metal=metal).values_list("pk", flat=True)
            )
            assert figure.value == pytest.approx(0, abs=1)
            largest = max(book.entries[e.pk].u for e in movement.entries.filter(metal=metal))
            assert figure.u <= 1e-6 * max(largest, 1)


def test_two_crystals_share_balance_and_laboratory(demo: WetWork) -> None:
    book = book_uncertainty()
    first, second = (book.held[demo.lots[name].pk, "Ag"] for name in ("S1 crystal", "N2 crystal"))
    shared = set(first.contributions) & set(second.contributions)
    assert shared == {
        "balance floor: calibration",
        "laboratory quay-bench, icp_oes, Ag: bias",
    }
    apart = (first.u**2 + second.u**2) ** 0.5
    together = book.of_lots("Ag", [demo.lots["S1 crystal"].pk, demo.lots["N2 crystal"].pk])
    assert together.u > apart
    figures = [first, second]
    assert expanded_for(figures).half_width == pytest.approx(1.96 * together.u, rel=1e-3)
    assert expanded_for(figures, 0.99).coverage_factor == pytest.approx(2.576, abs=1e-3)


def test_figures_come_as_one_sparse_set(demo: WetWork) -> None:
    book = book_uncertainty()
    pks = list(Entry.objects.order_by("pk").values_list("pk", flat=True))
    whole = book.figure_set(pks)
    assert whole.u == pytest.approx([book.entries[pk].u for pk in pks])
    assert whole.factor.nnz < 0.2 * whole.factor.shape[0] * whole.factor.shape[1]


# On every report's figure


def test_every_row_of_the_inventory_has_its_interval(demo: WetWork) -> None:
    rows = {
        (row.metal, row.form, row.owner, row.place): row.mass_ug for row in inventory(AsOf()).rows
    }
    found = {(e.metal, e.form, e.owner, e.place): e.figure for e in inventory_uncertainty()}
    assert found.keys() == rows.keys()
    for key, figure in found.items():
        assert figure.mass_ug == pytest.approx(rows[key], abs=1)
        assert figure.half_width_ug == pytest.approx(1.96 * figure.standard_uncertainty_ug, rel=0.1)
    wider = {(e.metal, e.form): e.figure for e in inventory_uncertainty(probability=0.99)}
    assert {round(figure.coverage_factor, 3) for figure in wider.values()} == {2.576}


def test_every_line_of_the_statement_has_its_interval(demo: WetWork) -> None:
    found = {(each.metal, each.line): each.figure for each in statement_uncertainty(MAY)}
    for metal in month_statement(MAY).metals:
        assert found[metal.metal, "closing"].mass_ug == pytest.approx(metal.closing_ug, abs=2)
        assert found[metal.metal, "opening"].mass_ug == pytest.approx(metal.opening_ug, abs=2)
        for line in metal.lines:
            if line.change_ug:
                figure = found[metal.metal, line.account]
                assert figure.mass_ug == pytest.approx(line.change_ug, abs=2)
    assert found["Ag", "difference"].half_width_ug > 0


def test_a_lots_content_has_its_interval(demo: WetWork) -> None:
    lot = demo.lots["S1 crystal"]
    silver = lot_uncertainty([lot])[lot.pk]["Ag"]
    entry = Entry.objects.get(lot=lot, metal="Ag")
    assert silver.mass_ug == entry.mass_ug
    assert silver.standard_uncertainty_ug == pytest.approx(entry.standard_uncertainty_ug, abs=2)


# Inventory differences


@pytest.mark.parametrize("period", [APRIL, MAY], ids=str)
def test_counted_differences_are_those_of_the_statement(demo: WetWork, period) -> None:  # type: ignore[no-untyped-def]
    whole = {each.metal: each for each in month_differences(period) if not each.area}
    for metal in month_statement(period).metals:
        if metal.metal in whole:
            assert whole[metal.metal].counted_ug == pytest.approx(metal.difference_ug, abs=2)
        else:
            # Only sighted, in sealed bags: that says nothing of how much is there.
            assert metal.difference_ug == 0
    assert {"Ag", "Cu"} <= {metal for metal, each in whole.items() if each.is_counted}


def test_areas_add_up_to_the_works(demo: WetWork) -> None:
    found = month_differences(MAY)
    for whole in (each for each in found if not each.area):
        parts = [each for each in found if each.metal == whole.metal and each.area]
        assert sum(each.whole.difference for each in parts) == pytest.approx(whole.whole.difference)


def test_closed_months_of_silver_are_within_their_limits_of_error(demo: WetWork) -> None:
    for period in (APRIL, MAY):
        (silver,) = [e for e in month_differences(period) if e.metal == "Ag" and not e.area]
        assert silver.whole.verdict is Verdict.WITHIN
        assert silver.whole.limit_of_error_95 == pytest.approx(1.96 * silver.whole.u, rel=1e-3)


def test_sequence_alarms_in_the_month_of_the_wrong_weighing(demo: WetWork) -> None:
    found = {(each.metal, each.area): each for each in difference_sequences(JUNE)}
    silver = found["Ag", ""]
    assert silver.tested is not None
    assert silver.periods == (APRIL, MAY, JUNE)
    assert silver.tested.alarm_month == 2
    assert silver.tested.is_loss
    assert silver.loss_since == JUNE
    assert silver.months[2].whole.verdict is Verdict.SIGNIFICANT_99
    assert silver.tested.cumulative[2] == pytest.approx(
        sum(each.whole.difference for each in silver.months)
    )


def test_before_june_only_palladium_that_nobody_assayed_for_raises_an_alarm(demo: WetWork) -> None:
    """The bled electrolyte's palladium was in no output that was assayed for it."""
    alarmed = [
        (each.metal, each.area)
        for each in difference_sequences(MAY)
        if each.tested is not None and each.tested.alarm_month is not None
    ]
    assert set(alarmed) <= {("Pd", ""), ("Pd", "wet_bench"), ("Cu", "wet_bench")}


# The sheets


def test_the_workbook_has_the_estimate_and_the_doubts(demo: WetWork) -> None:
    file = io.BytesIO()
    write_workbook(month_end_tables(month_pack(JUNE, with_estimate=True)), file)
    book = load_workbook(file)
    assert {"Best estimate", "Doubts", "Differences", "Flows", "Readings"} <= set(book.sheetnames)
    cells = [cell.value for row in book["Doubts"].iter_rows() for cell in row if cell.value]
    assert any("re-weigh this lot first" in str(value) for value in cells)
    assert any("Reverse movement" in str(value) for value in cells)


def test_a_month_is_read_in_a_fixed_number_of_queries(demo: WetWork) -> None:
    counts = []
    for period in (APRIL, MAY):
        with CaptureQueriesContext(
            connection,
        ) as seen:
            best_estimate(period)
        counts.append(len(seen))
    assert max(counts) <= 32


def test_a_closing_reversed_in_june_leaves_the_estimate_of_may_as_it_was(demo: WetWork) -> None:
    before = best_estimate(MAY)
    batch = ProcessBatch.objects.filter(closed_at__gte=MAY.starts_at, closed_at__lt=MAY.ends_at)[0]
    assert batch.closing_movement is not None
    act = Act(who=demo.bench.cast.people["marit"])
    with clock.at(JUNE.ends_at - dt.timedelta(hours=1)):
        reverse_movement(movement=batch.closing_movement, reason="closed too early", act=act)
    assert best_estimate(MAY) == before


def test_a_month_without_anything_is_estimated_too(demo: WetWork) -> None:
    long_ago = best_estimate(month_period(dt.date(2020, 1, 1)))
    assert long_ago.streams == ()
    assert long_ago.holdings == ()
    assert long_ago.suspicions == ()
    assert long_ago.dof == 0
    assert json_ready(long_ago)["z_limit"] is None
    assert month_differences(month_period(dt.date(2020, 1, 1))) == ()
    assert difference_sequences(month_period(dt.date(2020, 1, 1))) == ()


def test_a_month_without_movements_keeps_what_it_began_with(demo: WetWork) -> None:
    july = best_estimate(month_period(dt.date(2026, 7, 1)))
    assert july.streams == ()
    assert july.suspicions == ()
    assert json_ready(july)["z_limit"] is None
    silver = holdings_by(july)["Ag", ""]
    assert silver.best_ug == pytest.approx(silver.book_ug, abs=50)
    assert silver.best_u_ug == pytest.approx(silver.book_u_ug, rel=0.2)


def test_streams_balance_every_area_in_every_month_and_metal(demo: WetWork) -> None:
    for month in (APRIL, MAY, JUNE):
        assert unbalanced(month_statement(month)) == []
