"""Errors through the books, against the `uncertainties` package on the same arithmetic."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from uncertainties import ufloat

from reports.statistics.propagation import (
    COMMON_SHARE,
    OWN_SHARE,
    AmountLine,
    Line,
    Readings,
    Replay,
    Step,
    counted,
    in_common,
    propagate,
)
from reports.statistics.uncertainty import Figure, linear

# Micrograms would only add zeros: masses here are plain numbers, and all lots are of silver.
MELTED, OTHER, REMNANT = 1000.0, 400.0, 50.0
READINGS = Readings(
    quantities={
        1: in_common(MELTED, 2.0, "weighing 1", "balance"),
        2: in_common(OTHER, 1.5, "weighing 2", "balance"),
        3: in_common(REMNANT, 0.5, "weighing 3", "balance"),
        4: in_common(398.0, 1.0, "weighing 4", "balance"),
    },
    contents={
        (1, "Ag"): in_common(900.0, 4.0, "assay 1", "laboratory"),
        (2, "Ag"): in_common(800.0, 5.0, "assay 2", "laboratory"),
    },
    by_mass=frozenset({1, 2}),
)
STEPS = (
    Step(
        1,
        "batch_output",
        [
            Line(1, 1, "Ag", 900, "measured", 4, quantity=1, content=1),
            Line(2, None, "Ag", -900, "difference"),
        ],
        [AmountLine(1, 1000, quantity=1)],
    ),
    Step(
        2,
        "batch_output",
        [
            Line(3, 2, "Ag", 320, "measured", 3, quantity=2, content=2),
            Line(4, None, "Ag", -320, "difference"),
        ],
        [AmountLine(2, 400, quantity=2)],
    ),
    Step(
        3,
        "charge",
        [
            Line(5, 1, "Ag", -900, "proportion"),
            Line(6, 2, "Ag", -320, "proportion"),
            Line(7, 3, "Ag", 1220, "proportion", 9),
        ],
        [AmountLine(1, -1000), AmountLine(2, -400), AmountLine(3, 1400)],
    ),
    Step(
        4,
        "remnant",
        [
            Line(8, 4, "Ag", 44, "proportion", 1, quantity=3),
            Line(9, 3, "Ag", -44, "proportion", quantity=3),
        ],
        [AmountLine(4, 50, quantity=3), AmountLine(3, -50, quantity=3)],
    ),
)


BACK = Step(
    4,
    "reversal",
    [
        Line(12, 1, "Ag", 900, "proportion"),
        Line(13, 2, "Ag", 320, "proportion"),
        Line(14, 3, "Ag", -1220, "proportion"),
    ],
    [AmountLine(1, 1000), AmountLine(2, 400), AmountLine(3, -1400)],
    reverses=3,
)


def split(value: float, u: float, common: Any) -> Any:
    """The same parting of a stated uncertainty: its own error, and a share of a common one."""
    return value + ufloat(0, OWN_SHARE * u) + COMMON_SHARE * u * common


@pytest.fixture
def oracle() -> dict[str, Any]:
    balance, laboratory = ufloat(0, 1), ufloat(0, 1)
    one, two = split(MELTED, 2.0, balance), split(OTHER, 1.5, balance)
    remnant = split(REMNANT, 0.5, balance)
    first = one * split(900.0, 4.0, laboratory) / 1000
    second = two * split(800.0, 5.0, laboratory) / 1000
    return {
        "first": first,
        "second": second,
        "charge": first + second,
        "charge's mass": one + two,
        # The charge's amount is known by the lots' own weighings, which its content shares.
        "remnant": remnant * (first + second) / (one + two),
        "count": split(398.0, 1.0, balance) * second / two,
    }


def test_a_measured_line_has_the_uncertainty_of_weight_times_fineness(
    oracle: dict[str, Any],
) -> None:
    done = propagate(STEPS[:1], READINGS)
    assert done.entries[1].u == pytest.approx(oracle["first"].s)
    assert done.held[1, "Ag"].u == pytest.approx(oracle["first"].s)


def test_the_counter_line_has_the_same_errors_with_the_other_sign() -> None:
    done = propagate(STEPS[:1], READINGS)
    assert done.entries[1].covariance(done.entries[2]) == pytest.approx(-(done.entries[1].u ** 2))


def test_what_is_charged_inherits_shared_errors(oracle: dict[str, Any]) -> None:
    done = propagate(STEPS[:3], READINGS)
    assert done.held[3, "Ag"].value == 1220
    assert done.held[3, "Ag"].u == pytest.approx(oracle["charge"].s)
    apart = (oracle["first"].s ** 2 + oracle["second"].s ** 2) ** 0.5
    assert done.held[3, "Ag"].u > 1.02 * apart
    assert (1, "Ag") not in done.held
    assert done.amounts[3].u == pytest.approx(oracle["charge's mass"].s)
    # The order in which the book lists what was poured does not matter.
    turned = replace(STEPS[2], amounts=STEPS[2].amounts[::-1])
    assert propagate([*STEPS[:2], turned], READINGS).amounts == done.amounts


def taken(number: int, mass: float, *, into: int | None = None, kind: str = "split") -> Step:
    """Of lot 1 (900 of silver in 1000) so much mass is taken, told and not weighed."""
    silver = round(0.9 * mass)
    lines = [
        Line(10 * number, 1, "Ag", -silver, "proportion"),
        Line(10 * number + 1, into, "Ag", silver, "proportion"),
    ]
    amounts = [AmountLine(1, -round(mass))]
    if into is not None:
        amounts.append(AmountLine(into, round(mass)))
    return Step(number, kind, lines, amounts)


def test_a_weighed_portion_has_its_own_weighing_too(oracle: dict[str, Any]) -> None:
    done = propagate(STEPS, READINGS)
    assert done.held[4, "Ag"].u == pytest.approx(oracle["remnant"].s, rel=0.01)
    whole = done.held[3, "Ag"].contributions
    assert "weighing 3" in whole
    assert done.held[3, "Ag"].value + done.held[4, "Ag"].value == 1220


def test_a_count_at_the_books_own_content_does_not_share_the_first_weighing(
    oracle: dict[str, Any],
) -> None:
    done = propagate(STEPS[:2], READINGS)
    found = counted(done.held[2, "Ag"], done.amounts[2], READINGS.quantities[4])
    assert found.value == pytest.approx(oracle["count"].n)
    assert found.u == pytest.approx(oracle["count"].s)
    assert found.contributions.get("weighing 2", 0.0) == pytest.approx(0.0, abs=1e-12)


def test_a_measured_state_replaces_what_was_known_before() -> None:
    state = Step(
        5,
        "electrolyte_state",
        [
            Line(10, 1, "Ag", -20, "measured", 4, quantity=2, content=9),
            Line(11, None, "Ag", 20, "difference"),
        ],
    )
    readings = Readings(
        READINGS.quantities,
        {**READINGS.contents, (9, "Ag"): in_common(2.2, 0.01, "titration", "laboratory t")},
        READINGS.by_mass,
    )
    done = propagate([*STEPS[:1], state], readings)
    held = done.held[1, "Ag"]
    assert held.value == 880
    assert "assay 1" not in held.contributions
    assert held.u == pytest.approx((ufloat(2.2, 0.01) * ufloat(400, 1.5)).s)
    # The difference posted is unsure of both what was there before and what was found.
    assert done.entries[11].u > held.u


def test_what_a_sender_declares_is_trusted_to_one_per_cent() -> None:
    receipt = Step(
        1,
        "receipt",
        [
            Line(1, 1, "Ag", 900, "declared", quantity=1),
            Line(2, None, "Ag", -900, "declared", quantity=1),
        ],
        [AmountLine(1, 1000, quantity=1)],
    )
    done = propagate([receipt], READINGS)
    assert done.entries[1].u == pytest.approx((9.0**2 + 1.8**2) ** 0.5)


def test_an_assay_ruled_later_makes_a_lot_surer(oracle: dict[str, Any]) -> None:
    receipt = Step(
        1,
        "receipt",
        [Line(1, 1, "Ag", 880, "declared", quantity=1), Line(2, None, "Ag", -880, "difference")],
        [AmountLine(1, 1000, quantity=1)],
    )
    ruling = Step(
        2,
        "assay_difference",
        [
            Line(3, 1, "Ag", 20, "measured", quantity=1, content=1),
            Line(4, None, "Ag", -20, "measured", quantity=1, content=1),
        ],
    )
    held = propagate([receipt, ruling], READINGS).held[1, "Ag"]
    assert held.value == 900
    assert held.u == pytest.approx(oracle["first"].s)
    assert held.u < propagate([receipt], READINGS).held[1, "Ag"].u / 2


def test_an_assay_ruled_for_what_is_gone_changes_by_less_than_the_one_before() -> None:
    def ruling(number: int, content: int, change: int) -> Step:
        pk = 10 * number
        return Step(
            number,
            "assay_difference",
            [
                Line(pk, None, "Ag", -change, "measured", quantity=1, content=content),
                Line(pk + 1, None, "Ag", change, "proportion"),
            ],
        )

    contents = {**READINGS.contents, (3, "Ag"): in_common(910.0, 3.0, "assay 3", "laboratory")}
    readings = Readings(READINGS.quantities, contents, READINGS.by_mass | {3})
    gone = [STEPS[0], taken(2, 1000.0), ruling(3, 1, 20), ruling(4, 3, 10)]
    entries = propagate(gone, readings).entries
    assert "assay 3" not in entries[30].contributions
    # The weighing and the laboratory's bias are the same in both and nearly cancel.
    mass, bias = MELTED * OWN_SHARE / 1000, MELTED * COMMON_SHARE / 1000
    expected = {"assay 1": mass * 4.0, "assay 3": -mass * 3.0, "laboratory": bias * (4.0 - 3.0)}
    assert entries[40].contributions == pytest.approx(
        expected | {"weighing 1": -0.01 * OWN_SHARE * 2.0, "balance": -0.01 * COMMON_SHARE * 2.0}
    )


def test_what_empties_a_lot_by_difference_is_as_unsure_as_the_lot(oracle: dict[str, Any]) -> None:
    lines = [Line(3, 1, "Ag", -900, "difference"), Line(4, None, "Ag", 900, "difference")]
    done = propagate([STEPS[0], Step(2, "batch_close", lines)], READINGS)
    assert done.entries[4].u == pytest.approx(oracle["first"].s)
    assert not done.held


def test_a_part_told_and_not_weighed_is_sure_to_a_thousandth_and_all_of_it_to_nothing() -> None:
    part = propagate([STEPS[0], taken(2, 500.0, into=2)], READINGS)
    assert part.entries[21].contributions["portion of movement 2"] == pytest.approx(0.45)
    # All the silver with half the mass: nothing of it can have stayed behind.
    all_silver = replace(
        taken(2, 500.0, into=2),
        lines=[Line(20, 1, "Ag", -900, "proportion"), Line(21, 2, "Ag", 900, "proportion")],
    )
    whole = propagate([STEPS[0], all_silver], READINGS)
    first = propagate(STEPS[:1], READINGS).held[1, "Ag"]
    assert whole.held[2, "Ag"].contributions == pytest.approx(first.contributions)


def test_a_lot_poured_into_two_or_with_a_loss_leaves_each_what_the_book_says() -> None:
    for amounts in (
        [AmountLine(1, -1000), AmountLine(2, 600), AmountLine(3, 400)],
        [AmountLine(1, -1000), AmountLine(2, 600)],
    ):
        done = propagate([STEPS[0], Step(2, "split", [], amounts)], READINGS)
        assert done.amounts[2].value == 600
        assert done.amounts[2].u == pytest.approx(0.6)


def test_two_changes_of_a_lot_in_one_movement_are_both_taken_back() -> None:
    poured = Step(2, "top_up", [], [AmountLine(1, 100), AmountLine(1, 50, quantity=3)])
    back = Step(3, "reversal", [], [AmountLine(1, -100), AmountLine(1, -50)], reverses=2)
    before = propagate(STEPS[:1], READINGS).amounts[1]
    after = propagate([STEPS[0], poured, back], READINGS).amounts[1]
    assert after.value == before.value
    assert after.contributions == pytest.approx(before.contributions)


def test_a_count_posted_after_the_lot_moved_on_is_no_weighing_of_what_is_left() -> None:
    counted_down = Step(3, "weighing_difference", [], [AmountLine(1, -2, quantity=4)])
    done = propagate([STEPS[0], taken(2, 500.0), counted_down], READINGS)
    assert done.amounts[1].value == 498
    assert "weighing 4" not in done.amounts[1].contributions
    assert done.amounts[1].contributions["portion of movement 3"] == pytest.approx(-0.002)


def test_what_nobody_found_is_no_division_by_nothing() -> None:
    """A titration that finds no silver at all sets the book to nothing, as sure as it is."""
    contents = {**READINGS.contents, (9, "Ag"): in_common(0.0, 0.1, "titration", "laboratory t")}
    lines = [
        Line(3, 1, "Ag", -900, "measured", quantity=2, content=9),
        Line(4, None, "Ag", 900, "difference"),
    ]
    readings = Readings(READINGS.quantities, contents, READINGS.by_mass)
    done = propagate([STEPS[0], Step(2, "electrolyte_state", lines)], readings)
    assert not done.held


def test_supplies_are_trusted_to_a_thousandth_and_differences_share_by_size() -> None:
    lines = [
        Line(3, 1, "Ag", 100, "declared"),
        Line(4, None, "Ag", -75, "difference"),
        Line(5, None, "Ag", -25, "difference"),
    ]
    done = propagate([STEPS[0], Step(2, "top_up", lines)], READINGS)
    assert [done.entries[pk].u for pk in (3, 4, 5)] == pytest.approx([0.1, 0.075, 0.025])


def test_what_a_later_movement_takes_back_is_kept_until_then() -> None:
    replay = Replay(READINGS, taken_back={3})
    for step in (*STEPS[:3], BACK):
        replay.take(step, keep=False)
    whole = propagate([*STEPS[:3], BACK], READINGS)
    assert replay.done.held == whole.held
    assert replay.done.amounts == whole.amounts
    # Only the figures of what is taken back are still there: a long history's would fill memory.
    assert replay.done.entries.keys() == {line.pk for line in STEPS[2].lines}


def test_a_reversal_brings_back_the_errors_there_were_before() -> None:
    before = propagate(STEPS[:2], READINGS)
    after = propagate([*STEPS[:3], BACK], READINGS)
    assert after.held.keys() == before.held.keys()
    for key, figure in before.held.items():
        assert after.held[key].value == figure.value
        assert after.held[key].contributions == pytest.approx(figure.contributions)
    assert after.amounts.keys() == before.amounts.keys()
    for lot, amount in before.amounts.items():
        assert after.amounts[lot].contributions == pytest.approx(amount.contributions)
    assert after.entries[14].contributions == pytest.approx(
        {source: -part for source, part in after.entries[7].contributions.items()}
    )


def test_what_is_known_outright_has_no_part_in_an_error_of_others() -> None:
    assert in_common(5.0, 0.0, "own", "common") == Figure(5.0)


def test_content_follows_a_weighing_at_the_lots_own_grade() -> None:
    """900 in 1000 weighed anew as 398: 358.2, less the 900, with the errors of both weighings."""
    lines = [
        Line(90, 1, "Ag", -542, "difference", quantity=4),
        Line(91, None, "Ag", 542, "difference"),
    ]
    weighed = Step(5, "count_adjustment", lines, [AmountLine(1, -602, quantity=4)])
    done = propagate([STEPS[0], weighed], READINGS)
    held, amount, reading = (
        propagate([STEPS[0]], READINGS).held[1, "Ag"],
        READINGS.quantities[1],
        READINGS.quantities[4],
    )
    change = linear([counted(held, amount, reading), held], [1.0, -1.0])
    found = done.entries[90]
    assert found.value == pytest.approx(-542)
    assert found.contributions == pytest.approx(change.contributions)
