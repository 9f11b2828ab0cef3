"""A step of the works outside the cell, from its inputs to what is unaccounted for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from types import SimpleNamespace

import pytest

from lots.ledger.holdings import claims_of, holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.measurements.outputs import Volume
from lots.models import ClaimEntry, Entry, Excess, Lot, Movement, Place, ProcessBatch
from lots.services.process_batches import (
    Inputs,
    add_inputs,
    close_batch,
    record_output,
    start_batch,
)
from lots.services.taking import Take
from tests.builders import GRAM, receive, weighed_output
from tests.refused import refused

Make = Callable[..., Act]
FINE = {"Ag": Decimal(1000)}


@pytest.fixture
def bench(works: SimpleNamespace) -> Place:
    place: Place = works.places["melt-bench"]
    return place


@pytest.fixture
def granulating(works: SimpleNamespace, act: Make, bench: Place) -> ProcessBatch:
    """A hundred grams of the house's sterling, in the pot since ten."""
    lot = receive(works, act(), 100)
    return start_batch(
        kind="granulating", place=bench, inputs=Inputs([Take(lot)]), act=act(1, "start")
    )


def account_sums(code: str) -> dict[str, int]:
    sums: dict[str, int] = {}
    for entry in Entry.objects.filter(account__code=code):
        sums[entry.metal] = sums.get(entry.metal, 0) + entry.mass_ug
    return {metal: ug for metal, ug in sums.items() if ug}


def assert_sound() -> None:
    assert [result.check.name for result in run_checks() if result.found] == []


def test_a_melt_from_feed_to_granules_with_its_loss(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch, bench: Place
) -> None:
    vessel = granulating.vessel
    assert (granulating.state, vessel.state, vessel.form) == ("open", "in_process", "in_process")
    assert holding(vessel).metals == {"Ag": 92_500_000, "Cu": 7_500_000}
    granules = record_output(
        batch=granulating, output=weighed_output(works, 99), act=act(2, "output")
    )
    assert holding(granules).metals == {"Ag": 91_575_000, "Cu": 7_425_000}
    assert holding(vessel).metals == {"Ag": 925_000, "Cu": 75_000}
    assert (granules.owner, granules.place) == (works.house, bench)
    batch = close_batch(batch=granulating, act=act(3, "close"))
    assert (batch.state, batch.closed_at) == ("closed", act(3).moment)
    vessel.refresh_from_db()
    assert vessel.state == Lot.State.SPENT
    assert holding(vessel).is_empty
    assert account_sums("melt-difference") == {"Ag": 925_000, "Cu": 75_000}
    assert not Excess.objects.exists()
    assert_sound()


@pytest.mark.parametrize(
    ("kind", "account"),
    [
        ("parting", "process-difference"),
        ("dissolution", "process-difference"),
        ("cementation", "process-difference"),
        ("slimes_recovery", "recovery-difference"),
        ("granulating", "melt-difference"),
        ("fine_melt", "melt-difference"),
        ("melt", "melt-difference"),
        ("other", "process-difference"),
    ],
)
def test_each_kind_tells_its_difference_in_its_own_account(
    works: SimpleNamespace, act: Make, bench: Place, kind: str, account: str
) -> None:
    lot = receive(works, act(), 10, FINE)
    batch = start_batch(kind=kind, place=bench, inputs=Inputs([Take(lot)]), act=act(1))
    close_batch(batch=batch, act=act(2))
    assert account_sums(account) == {"Ag": 10 * GRAM}


def test_one_customers_batch_stays_theirs(works: SimpleNamespace, act: Make, bench: Place) -> None:
    lot = receive(works, act(), 100, owner=works.brackwater)
    batch = start_batch(kind="melt", place=bench, inputs=Inputs([Take(lot)]), act=act(1))
    assert batch.vessel.owner == works.brackwater
    ingot = record_output(batch=batch, output=weighed_output(works, 99), act=act(2))
    close_batch(batch=batch, act=act(3))
    assert ingot.owner == works.brackwater
    assert not ClaimEntry.objects.exists()
    assert_sound()


def test_several_owners_metal_joins_the_pool_and_each_gains_a_claim(
    works: SimpleNamespace, act: Make, bench: Place
) -> None:
    isoldes = receive(works, act(), 40, owner=works.brackwater)
    danes = receive(works, act(), 60, FINE, owner=works.pellow)
    own = receive(works, act(), 10, FINE)
    inputs = Inputs([Take(isoldes), Take(danes, 30 * GRAM), Take(own)])
    batch = start_batch(kind="granulating", place=bench, inputs=inputs, act=act(1))
    assert batch.vessel.owner == works.house
    assert claims_of(works.brackwater) == {"Ag": 37 * GRAM, "Cu": 3 * GRAM}
    assert claims_of(works.pellow) == {"Ag": 30 * GRAM}
    assert claims_of(works.house) == {"Ag": 10 * GRAM}
    close_batch(batch=batch, act=act(2))
    # What was lost in the works' pool is the works' loss: customers are owed what they gave.
    assert claims_of(works.brackwater) == {"Ag": 37 * GRAM, "Cu": 3 * GRAM}
    assert claims_of(works.house) == {"Ag": -67 * GRAM, "Cu": -3 * GRAM}
    assert_sound()


def test_one_customers_lot_can_be_pooled_on_purpose(
    works: SimpleNamespace, act: Make, bench: Place
) -> None:
    lot = receive(works, act(), 100, FINE, owner=works.brackwater)
    inputs = Inputs([Take(lot)])
    batch = start_batch(kind="melt", place=bench, inputs=inputs, act=act(1), keep_apart=False)
    assert batch.vessel.owner == works.house
    assert claims_of(works.brackwater) == {"Ag": 100 * GRAM}


def test_an_output_above_the_book_is_accepted_and_marked(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    output = weighed_output(works, 100, {"Ag": Decimal(950), "Cu": Decimal(50)})
    granules = record_output(batch=granulating, output=output, act=act(2))
    assert holding(granules).metals == {"Ag": 95 * GRAM, "Cu": 5 * GRAM}
    excess = Excess.objects.get()
    assert (excess.metal, excess.excess_ug, excess.state) == ("Ag", 2_500_000, "open")
    assert (excess.lot, excess.account.code) == (granules, "melt-difference")
    assert account_sums("melt-difference") == {"Ag": -2_500_000}
    close_batch(batch=granulating, act=act(3))
    assert account_sums("melt-difference") == {"Ag": -2_500_000, "Cu": 2_500_000}
    assert_sound()


def test_a_reversed_output_explains_its_excess(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    output = weighed_output(works, 101, {"Ag": Decimal(950), "Cu": Decimal(50)})
    record_output(batch=granulating, output=output, act=act(2))
    movement = Movement.objects.get(kind="batch_output")
    reversal = reverse_movement(movement=movement, reason="misread", act=act())
    excess = Excess.objects.get()
    assert excess.state == Excess.State.EXPLAINED
    assert excess.explanation == f"Reversed by movement {reversal.sequence}: misread"
    assert excess.explained_by == works.operator
    assert account_sums("melt-difference") == {}
    assert holding(granulating.vessel).metals == {"Ag": 92_500_000, "Cu": 7_500_000}
    assert_sound()


def test_a_vessel_that_is_filled_again_by_a_reversal_is_in_process_again(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    record_output(batch=granulating, output=weighed_output(works, 100), act=act(2))
    granulating.vessel.refresh_from_db()
    assert granulating.vessel.state == Lot.State.SPENT
    movement = Movement.objects.get(kind="batch_output")
    reverse_movement(movement=movement, reason="misread", act=act())
    granulating.vessel.refresh_from_db()
    assert granulating.vessel.state == Lot.State.IN_PROCESS


def test_copper_from_supplies_is_put_in_for_cementation(
    works: SimpleNamespace, act: Make, bench: Place
) -> None:
    lot = receive(works, act(), 10, FINE)
    inputs = Inputs([Take(lot)], supplies_ug={"Cu": 5 * GRAM})
    batch = start_batch(kind="cementation", place=bench, inputs=inputs, act=act(1))
    assert holding(batch.vessel).metals == {"Ag": 10 * GRAM, "Cu": 5 * GRAM}
    assert account_sums("supplies") == {"Cu": -5 * GRAM}


@pytest.mark.parametrize(
    ("supplies_ug", "code", "field"),
    [
        ({"Cu": 0}, "not_positive", "supplies.Cu"),
        ({"Cu": -1}, "not_positive", "supplies.Cu"),
        ({"Fe": 1}, "unknown_metal", "supplies.Fe"),
    ],
)
def test_supplies_that_cannot_be_are_refused(
    works: SimpleNamespace,
    act: Make,
    bench: Place,
    supplies_ug: dict[str, int],
    code: str,
    field: str,
) -> None:
    lot = receive(works, act(), 10, FINE)
    with refused(code, field):
        start_batch(
            kind="cementation",
            place=bench,
            inputs=Inputs([Take(lot)], supplies_ug=supplies_ug),
            act=act(1, "k"),
        )


def test_more_goes_into_an_open_batch(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    more = receive(works, act(), 50, FINE)
    movement = add_inputs(
        batch=granulating, inputs=Inputs([Take(more, 20 * GRAM)]), act=act(2, "more")
    )
    assert movement.kind == Movement.Kind.BATCH_INPUT
    assert holding(granulating.vessel).metals == {"Ag": 112_500_000, "Cu": 7_500_000}
    assert holding(granulating.vessel).mass_ug == 120 * GRAM


def test_anothers_metal_does_not_join_a_batch_that_is_kept_apart(
    works: SimpleNamespace, act: Make, bench: Place
) -> None:
    isoldes = receive(works, act(), 40, owner=works.brackwater)
    own = receive(works, act(), 40)
    batch = start_batch(kind="melt", place=bench, inputs=Inputs([Take(isoldes)]), act=act(1))
    with refused("kept_apart", "inputs"):
        add_inputs(batch=batch, inputs=Inputs([Take(own)]), act=act(2, "k"))


def test_an_unknown_kind_is_refused(works: SimpleNamespace, act: Make, bench: Place) -> None:
    lot = receive(works, act())
    with refused("unknown_choice", "kind"):
        start_batch(kind="alchemy", place=bench, inputs=Inputs([Take(lot)]), act=act(1, "k"))


def test_a_closed_batch_takes_and_gives_nothing(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    lot = receive(works, act())
    close_batch(batch=granulating, act=act(2))
    with refused("batch_closed", "batch"):
        add_inputs(batch=granulating, inputs=Inputs([Take(lot)]), act=act(3, "k"))
    with refused("batch_closed", "batch"):
        record_output(batch=granulating, output=weighed_output(works, 1), act=act(3, "k"))
    with refused("batch_closed", "batch"):
        close_batch(batch=granulating, act=act(3, "k"))


def test_a_batch_is_not_closed_before_its_last_step(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    more = receive(works, act(), 50)
    add_inputs(batch=granulating, inputs=Inputs([Take(more)]), act=act(4))
    with refused("out_of_order", "occurred_at") as caught:
        close_batch(batch=granulating, act=act(3, "k"))
    assert "2026-05-04 13:00" in caught.value.message
    close_batch(batch=granulating, act=act(4, "k"))
    assert_sound()


def test_a_batch_has_no_output_before_it_began(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    with refused("lot_not_there_yet", "occurred_at"):
        record_output(batch=granulating, output=weighed_output(works, 1), act=act(0.5, "k"))


def test_the_closing_reversed_opens_the_batch_again(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    close_batch(batch=granulating, act=act(2))
    closing = Movement.objects.get(kind="batch_close")
    reverse_movement(movement=closing, reason="one output forgotten", act=act())
    batch = ProcessBatch.objects.get()
    assert (batch.state, batch.closed_at, batch.closing_movement) == ("open", None, None)
    vessel = batch.vessel
    assert vessel.state == Lot.State.IN_PROCESS
    assert holding(vessel).metals == {"Ag": 92_500_000, "Cu": 7_500_000}
    record_output(batch=batch, output=weighed_output(works, 99), act=act(1.5))
    close_batch(batch=batch, act=act(2))
    assert_sound()


def test_the_steps_of_a_closed_batch_are_not_taken_back_under_it(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    record_output(batch=granulating, output=weighed_output(works, 50), act=act(2))
    close_batch(batch=granulating, act=act(3))
    for kind in ("batch_output", "batch_input"):
        with refused("later_steps_stand", "movement"):
            reverse_movement(
                movement=Movement.objects.get(kind=kind), reason="misread", act=act(key="k")
            )
    closing = Movement.objects.get(kind="batch_close")
    reverse_movement(movement=closing, reason="to correct it", act=act())
    reverse_movement(
        movement=Movement.objects.get(kind="batch_output"), reason="misread", act=act()
    )
    assert_sound()


def test_an_emptied_vessel_is_a_vessel_again_when_more_comes(
    works: SimpleNamespace, act: Make, granulating: ProcessBatch
) -> None:
    record_output(batch=granulating, output=weighed_output(works, 100), act=act(2))
    assert holding(granulating.vessel).is_empty
    more = receive(works, act(), 50)
    add_inputs(batch=granulating, inputs=Inputs([Take(more)]), act=act(3))
    granulating.vessel.refresh_from_db()
    assert granulating.vessel.state == Lot.State.IN_PROCESS
    assert_sound()


def test_an_output_in_solution_is_known_by_its_volume(
    works: SimpleNamespace, act: Make, bench: Place
) -> None:
    lot = receive(works, act(), 10, FINE)
    batch = start_batch(kind="dissolution", place=bench, inputs=Inputs([Take(lot)]), act=act(1))
    output = weighed_output(
        works,
        0,
        None,
        form="solution",
        place=works.places["carboys"],
        weight=None,
        volume=Volume(500_000, 1000),
        estimated={"Ag": 9 * GRAM},
    )
    solution = record_output(batch=batch, output=output, act=act(2))
    assert holding(solution).volume_ul == 500_000
    assert holding(solution).metals == {"Ag": 9 * GRAM}
    assert solution.content == Lot.Content.BY_DIFFERENCE


@pytest.mark.parametrize(
    ("changed", "code", "field"),
    [
        ({"declared": None}, "one_content_needed", "output"),
        ({"estimated": {"Ag": 1}}, "one_content_needed", "output"),
        ({"weight": None}, "quantity_needed", "output.weight"),
        ({"weight": None, "volume": Volume(1, 0)}, "basis_without_quantity", "output.declared"),
        (
            {"declared": {"Ag": Decimal(1001)}},
            "fineness_out_of_range",
            "output.declared.Ag",
        ),
        ({"declared": None, "estimated": {"Ag": -1}}, "not_positive", "output.estimated.Ag"),
        ({"declared": None, "estimated": {"Fe": 1}}, "unknown_metal", "output.estimated.Fe"),
        (
            {"weight": None, "volume": Volume(0, 0), "declared": None, "estimated": {}},
            "not_positive",
            "volume",
        ),
    ],
)
def test_an_output_that_cannot_be_is_refused(
    works: SimpleNamespace,
    act: Make,
    granulating: ProcessBatch,
    changed: dict[str, object],
    code: str,
    field: str,
) -> None:
    output = replace(weighed_output(works, 1), **changed)  # type: ignore[arg-type]
    with refused(code, field):
        record_output(batch=granulating, output=output, act=act(2, "k"))


def test_repeats_record_nothing_more(works: SimpleNamespace, act: Make, bench: Place) -> None:
    lot = receive(works, act(), 100)
    inputs = Inputs([Take(lot, 60 * GRAM)])
    first, second = (
        start_batch(kind="melt", place=bench, inputs=inputs, act=act(1, "start")) for _ in "ab"
    )
    assert first == second
    with refused("idempotency_key_reused", "Idempotency-Key"):
        other = Inputs([Take(lot, 61 * GRAM)])
        start_batch(kind="melt", place=bench, inputs=other, act=act(1, "start"))
    assert close_batch(batch=first, act=act(2, "close")) == first
    assert close_batch(batch=first, act=act(2, "close")) == first
    assert Movement.objects.count() == 3
