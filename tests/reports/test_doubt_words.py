"""What is said of a reading in doubt, and which slip it may be."""

from __future__ import annotations

from decimal import Decimal

import pytest

from reports.doubt_words import Recorded, explanations, is_possible, sentence
from reports.statistics.mistake_shapes import Shape


def weighing(**changed: object) -> Recorded:
    given: dict[str, object] = {
        "kind": "weighing",
        "name": "weighing 7 of lot FC26-0006-4 at 2026-06-17 11:00",
        "unit": "g",
        "read": Decimal("1152.9"),
        "implied": 1508.0,
        "implied_u": 6.0,
        "tare": Decimal("305.0"),
    }
    return Recorded(**(given | changed))  # type: ignore[arg-type]


def test_a_low_weighing_is_to_be_weighed_again() -> None:
    assert sentence(weighing()) == (
        "weighing 7 of lot FC26-0006-4 at 2026-06-17 11:00 reads about 360 g low; "
        "re-weigh this lot first"
    )


def test_a_lot_that_has_gone_on_cannot_be_weighed_again() -> None:
    said = sentence(weighing(is_at_hand=False))
    assert "360 g low; the lot has gone on since" in said


def test_exchanged_digits_of_the_gross_come_first() -> None:
    first = explanations(weighing())[0]
    assert first.shape is Shape.TRANSPOSED
    assert first.value == Decimal("1512.9")
    assert first.weight == pytest.approx(1.0, abs=0.01)


def test_a_forgotten_tare_is_a_slip_of_the_net() -> None:
    recorded = weighing(read=Decimal("1458.0"), implied=1153.0, tare=Decimal("305.0"))
    shapes = [each.shape for each in explanations(recorded)]
    assert shapes[0] is Shape.TARE_NOT_TAKEN


def test_per_cent_for_parts_per_thousand() -> None:
    recorded = Recorded("assay", "assay 3 of lot L for Ag", "ppt", Decimal("92.5"), 924.0, 1.0)
    assert explanations(recorded)[0].shape is Shape.PER_CENT
    assert sentence(recorded).endswith("ppt low; have this lot assayed again first")


def test_only_digits_slip_in_a_volume_or_a_concentration() -> None:
    recorded = Recorded("volume", "volume 4 of bath", "L", Decimal("12.1"), 11.2, 0.05)
    assert {each.shape for each in explanations(recorded)} <= {
        Shape.TRANSPOSED,
        Shape.DECIMAL_SLIP,
    }


def test_nothing_is_explained_of_a_charge_count() -> None:
    recorded = Recorded("coulombs", "charge counted in run R", "Ah", Decimal(210), 300.0, 3.0)
    assert explanations(recorded) == ()
    assert "look at the ammeter" in sentence(recorded)


def test_a_loss_beyond_the_usual_is_said_as_one() -> None:
    recorded = Recorded("loss", "loss of Ag in WP26-0001", "g", Decimal(0), 40.0, 4.0)
    assert sentence(recorded) == (
        "about 40 g is missing beyond what is usual: loss of Ag in WP26-0001; search there first"
    )


@pytest.mark.parametrize(
    ("kind", "unit", "implied", "possible"),
    [
        ("assay", "ppt", 1200.0, False),
        ("assay", "ppt", 999.0, True),
        ("assay", "g/L", 1200.0, True),
        ("weighing", "g", -3.0, False),
        ("loss", "g", -3.0, True),
        ("efficiency", "", 1.2, False),
    ],
)
def test_what_cannot_be_is_not_suspected(
    kind: str, unit: str, implied: float, possible: bool
) -> None:
    assert is_possible(kind, unit, implied) is possible
