"""Which assay counts, while the metal is still in its lot."""

from __future__ import annotations

from decimal import Decimal

import pytest

from lots.ledger import accounts
from lots.ledger.content_uncertainty import stated_uncertainties
from lots.ledger.holdings import claims_of, holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.outputs import Output, Volume
from lots.measurements.ruling_assays import ruled_uncertainties, ruling_assay, ruling_of
from lots.measurements.rulings import rule_assay
from lots.measurements.weighings import Weight
from lots.measurements.withdrawal import withdraw_assay
from lots.models import Balance, ContentChange, Entry, Lot, Movement
from lots.services.opening import Amount, Opening, open_lot
from lots.services.ownership import change_owner
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.splitting import Part, split_lot
from lots.services.taking import Take

G = 1_000_000


@pytest.fixture
def assayed(act, report):
    def make(lot, values, hours=2.0, **given):
        return record_assay(lot=lot, report=report(values, **given), act=act(hours))

    return make


def on_account(code):
    totals = {}
    for metal, mass_ug in Entry.objects.filter(account__code=code).values_list("metal", "mass_ug"):
        totals[metal] = totals.get(metal, 0) + mass_ug
    return {metal: total for metal, total in totals.items() if total}


def test_the_content_becomes_weight_times_fineness_and_the_difference_is_told(
    works, act, received, assayed
):
    lot = received(1000)
    assay = assayed(lot, {"Ag": "921.5", "Cu": "70", "Pd": "4.25"})
    ruling = rule_assay(assay=assay, reason="our own fire assay", act=act(3, who=works.manager))
    assert ruling.decided_by == works.manager
    lot.refresh_from_db()
    assert lot.content == Lot.Content.ASSAYED
    assert holding(lot).metals == {"Ag": 921_500_000, "Cu": 70 * G, "Pd": 4_250_000}
    assert on_account(accounts.ASSAY_DIFFERENCE) == {"Ag": 3_500_000, "Cu": 5 * G, "Pd": -4_250_000}
    assert (ruling_of(lot), ruling_assay(lot)) == (ruling, assay)
    movement = ruling.movement
    assert movement.kind == Movement.Kind.ASSAY_DIFFERENCE
    assert movement.refers_to.kind == Movement.Kind.RECEIPT
    entry = movement.entries.get(lot=lot, metal="Ag")
    assert entry.content_by == assay
    assert entry.quantity_by.weighing.purpose == "receipt"
    assert (
        movement.entries.get(account__code=accounts.ASSAY_DIFFERENCE, metal="Ag").owner == lot.owner
    )
    assert entry.basis == Entry.Basis.MEASURED


def test_the_uncertainty_is_that_of_weight_and_fineness_together(works, act, received, assayed):
    coarse = Balance.objects.create(
        code="floor",
        name="Floor scale",
        capacity_ug=60_000 * G,
        readability_ug=20 * G,
        standard_uncertainty_ug=20 * G,
        calibration_due=works.balance.calibration_due,
    )
    _, lot, _ = (
        received(weight=Weight(1010 * G, 10 * G, balance))
        for balance in (coarse, works.balance, coarse)
    )
    ruling = rule_assay(assay=assayed(lot, {"Ag": "920"}), reason="ours", act=act(3))
    # The bench balance has u = 0.1 g a reading, so 0.1414 g net; the assay u = 0.5 per thousand of
    # 1000 g. By hand: sqrt((0.1414 x 0.920)^2 + 0.5^2) = 0.51665 g (JCGM 100:2008, 5.1.2).
    entry = ruling.movement.entries.get(lot=lot)
    assert entry.standard_uncertainty_ug == pytest.approx(516_650, abs=20)
    assert ruled_uncertainties([lot])[lot.pk]["Ag"] == pytest.approx(0.51665 / 920, rel=1e-4)


def test_an_assay_that_finds_what_was_declared_still_says_how_sure_it_is(act, received, assayed):
    lot = received(1000)
    ruling = rule_assay(assay=assayed(lot, {"Ag": "925"}), reason="ours", act=act(3))
    assert not ruling.movement.entries.exists()
    lot.refresh_from_db()
    assert lot.content == Lot.Content.ASSAYED
    assert ruled_uncertainties([lot])[lot.pk]["Ag"] == pytest.approx(0.5 / 925, rel=0.05)


def test_an_umpire_replaces_what_was_ruled_before(act, received, assayed):
    lot = received(1000)
    rule_assay(assay=assayed(lot, {"Ag": "930", "Cu": "70"}), reason="ours", act=act(3))
    umpire = assayed(lot, {"Ag": "924"}, hours=4, side="umpire")
    rule_assay(assay=umpire, reason="umpire of the dispute", act=act(5))
    assert holding(lot).metals == {"Ag": 924 * G, "Cu": 70 * G}
    assert ruling_assay(lot) == umpire
    assert on_account(accounts.ASSAY_DIFFERENCE) == {"Ag": 1 * G, "Cu": 5 * G}


def test_of_two_rulings_of_one_moment_the_later_recorded_holds(act, received, assayed):
    lot = received(1000)
    for ppt in ("930", "924"):
        ruling = rule_assay(assay=assayed(lot, {"Ag": ppt}), reason="ours", act=act(3))
    assert ruling_of(lot) == ruling
    assert holding(lot).metals["Ag"] == 924 * G


def test_rounding_alone_never_makes_the_metals_too_much(works, act, received, assayed):
    lot = received(weight=Weight(7, 0, works.balance), declared={})
    rule_assay(assay=assayed(lot, {"Ag": "500", "Cu": "500"}), reason="ours", act=act(3))
    assert holding(lot).metals == {"Ag": 4, "Cu": 4}


def test_copper_gives_way_to_the_last_microgram(works, act, received, assayed):
    lot = received(weight=Weight(9, 0, works.balance), declared={"Cu": "500"})
    assert holding(lot).metals == {"Cu": 4}
    rule_assay(assay=assayed(lot, {"Ag": "650"}), reason="ours", act=act(3))
    assert holding(lot).metals == {"Ag": 6, "Cu": 3}


def test_copper_nobody_assayed_gives_way_to_what_the_assay_finds(act, received, assayed):
    lot = received(1000)
    rule_assay(assay=assayed(lot, {"Ag": "926.5"}), reason="ours", act=act(3))
    assert holding(lot).metals == {"Ag": 926_500_000, "Cu": 73_500_000}


def test_a_solution_holds_volume_times_concentration(works, act, solution):
    lot = solution(volume_ml=2000, silver_g=100)
    finding = AssayReport(
        method="titration",
        laboratory=works.laboratory,
        findings={"Ag": Finding(Decimal("52.5"), Decimal("0.4"))},
        basis="g_per_l",
    )
    assay = record_assay(lot=lot, report=finding, act=act(1))
    rule_assay(assay=assay, reason="titrated before use", act=act(2))
    assert holding(lot).metals == {"Ag": 105 * G}
    # By hand: 2 L x 0.4 g/L = 0.8 g, the volume taken as exact.
    assert ContentChange.objects.get(lot=lot).standard_uncertainty_ug == 800_000


def test_a_solutions_other_metals_stay_whatever_the_assay_finds(works, act, report):
    opening = Opening(
        form=Lot.Form.SOLUTION,
        owner=works.house,
        place=works.places["carboys"],
        metals={"Ag": Amount(100 * G), "Cu": Amount(20 * G)},
        volume_ul=2_000_000,
    )
    lot = open_lot(opening=opening, act=act(0))
    assay = record_assay(lot=lot, report=report({"Ag": "52.5"}, basis="g_per_l"), act=act(1))
    rule_assay(assay=assay, reason="titrated", act=act(2))
    assert holding(lot).metals == {"Ag": 105 * G, "Cu": 20 * G}


def test_of_two_solutions_each_is_as_sure_as_its_own_volume(works, act, received, report):
    wet_bench = works.places["wet-bench"]
    silver = Inputs([Take(received(100, declared={"Ag": "1000"}))])
    batch = start_batch(kind="dissolution", place=wet_bench, inputs=silver, act=act(1))
    _, ruled, _ = (
        record_output(
            batch=batch,
            output=Output("solution", wet_bench, volume=Volume(500_000, u_ul), estimated={}),
            act=act(2),
        )
        for u_ul in (50_000, 500, 50_000)
    )
    found = report({"Ag": "80"}, u="0.1", basis="g_per_l")
    assay = record_assay(lot=ruled, report=found, act=act(3))
    rule_assay(assay=assay, reason="titrated", act=act(4))
    # By hand: 0.5 L x 0.1 g/L = 0.05 g and 0.0005 L x 80 g/L = 0.04 g; together 0.064031 g.
    assert ContentChange.objects.get(lot=ruled).standard_uncertainty_ug == 64_031


def test_a_claim_is_not_touched_while_the_lot_is_kept_apart(works, act, received, assayed):
    lot = received(1000)
    rule_assay(assay=assayed(lot, {"Ag": "900"}), reason="ours", act=act(3))
    assert claims_of(works.brackwater) == {}


def test_reversal_takes_the_ruling_back(act, received, assayed, comes_back):
    lot = received(1000)
    first = rule_assay(assay=assayed(lot, {"Ag": "930", "Cu": "70"}), reason="ours", act=act(3))
    with comes_back():
        rule_assay(assay=assayed(lot, {"Ag": "924"}), reason="umpire", act=act(5))
    assert ruling_of(lot) == first
    reverse_movement(movement=first.movement, reason="wrong lot", act=act(6))
    lot.refresh_from_db()
    assert lot.content == Lot.Content.DECLARED
    assert ruling_of(lot) is None
    assert holding(lot).metals == {"Ag": 925 * G, "Cu": 75 * G}


def test_after_a_ruling_is_taken_back_the_next_starts_from_what_was_declared(
    act, received, assayed
):
    lot = received(1000)
    first = rule_assay(assay=assayed(lot, {"Ag": "930", "Cu": "70"}), reason="ours", act=act(3))
    reverse_movement(movement=first.movement, reason="wrong lot", act=act(4))
    rule_assay(assay=first.assay, reason="right after all", act=act(5))
    assert holding(lot).metals == {"Ag": 930 * G, "Cu": 70 * G}


def test_the_earlier_of_two_rulings_cannot_be_taken_back_first(act, received, assayed, refused):
    lot = received(1000)
    first = rule_assay(assay=assayed(lot, {"Ag": "930", "Cu": "70"}), reason="ours", act=act(3))
    rule_assay(assay=assayed(lot, {"Ag": "924"}), reason="umpire", act=act(5))
    with refused("ruled_since", "movement"):
        reverse_movement(movement=first.movement, reason="no", act=act(6))


def test_what_a_ruling_reckoned_with_cannot_be_reversed_before_it(act, received, assayed, refused):
    lot = received(1000)
    receipt = Movement.objects.get()
    split = split_lot(lot=lot, parts=[Part(mass_ug=500 * G)], act=act(1))
    rule_assay(assay=assayed(lot, {"Ag": "930", "Cu": "70"}), reason="ours", act=act(3))
    for movement in (receipt, split):
        with refused("ruled_since", "movement"):
            reverse_movement(movement=movement, reason="no", act=act(6))


def test_material_and_owner_are_reckoned_with_too_where_no_metal_was_known(
    works, act, received, assayed, refused
):
    lot = received(1000, declared={})
    change_owner(lot=lot, owner=works.house, act=act(1))
    rule_assay(assay=assayed(lot, {"Ag": "930"}), reason="ours", act=act(3))
    with refused("ruled_since", "movement"):
        reverse_movement(movement=Movement.objects.get(kind="receipt"), reason="no", act=act(6))
    sold = change_owner(lot=lot, owner=works.pellow, act=act(4))
    latest = rule_assay(assay=assayed(lot, {"Ag": "931"}, hours=5), reason="umpire", act=act(5))
    with refused("ruled_since", "movement") as caught:
        reverse_movement(movement=sold, reason="no", act=act(6))
    assert f"movement {latest.movement.sequence} " in caught.value.remedy


@pytest.mark.parametrize(
    ("reason", "code"), [("", "empty"), ("   ", "empty"), ("x" * 201, "too_long")]
)
def test_a_ruling_needs_a_reason_of_some_words(act, received, assayed, refused, reason, code):
    assay = assayed(received(1000), {"Ag": "920"})
    with refused(code, "reason"):
        rule_assay(assay=assay, reason=reason, act=act(3))


def test_the_same_assay_rules_only_once(act, received, assayed, refused):
    assay = assayed(received(1000), {"Ag": "920"})
    rule_assay(assay=assay, reason="ours", act=act(3))
    with refused("already_rules", "assay"):
        rule_assay(assay=assay, reason="again", act=act(4))


def test_a_withdrawn_assay_rules_nothing(act, received, assayed, refused):
    assay = assayed(received(1000), {"Ag": "920"})
    withdraw_assay(assay=assay, reason="wrong crucible", act=act(3))
    with refused("assay_withdrawn", "assay"):
        rule_assay(assay=assay, reason="ours", act=act(4))


def test_a_ruling_before_the_lot_or_before_a_later_ruling_is_refused(
    act, received, assayed, refused
):
    lot = received(1000, hours=2)
    assay = assayed(lot, {"Ag": "920"})
    with refused("lot_not_there_yet", "occurred_at"):
        rule_assay(assay=assay, reason="ours", act=act(1))
    rule_assay(assay=assay, reason="ours", act=act(5))
    other = assayed(lot, {"Ag": "921"})
    with refused("ruled_later", "occurred_at"):
        rule_assay(assay=other, reason="ours", act=act(4))


def test_a_concentration_says_nothing_of_a_lot_known_by_weight(works, act, received, refused):
    lot = received(1000)
    report = AssayReport(
        method="icp_oes",
        laboratory=works.laboratory,
        findings={"Ag": Finding(Decimal(50), Decimal(1))},
        basis="g_per_l",
    )
    assay = record_assay(lot=lot, report=report, act=act(1))
    with refused("basis_without_quantity", "assay"):
        rule_assay(assay=assay, reason="ours", act=act(2))


def test_a_fineness_says_nothing_of_a_solution(act, solution, assayed, refused):
    assay = assayed(solution(), {"Ag": "50"})
    with refused("basis_without_quantity", "assay"):
        rule_assay(assay=assay, reason="ours", act=act(3))


def test_metals_left_unreported_that_no_longer_fit_are_refused(act, received, assayed, refused):
    lot = received(1000, declared={"Ag": "600", "Au": "400"})
    assay = assayed(lot, {"Ag": "650"})
    with refused("fineness_sum_above_1000", "assay"):
        rule_assay(assay=assay, reason="ours", act=act(3))


@pytest.mark.parametrize("form", [Lot.Form.IN_PROCESS, Lot.Form.ANODE_CHARGE])
def test_a_vessel_in_process_is_not_ruled(act, received, assayed, refused, form):
    lot = received(1000)
    assay = assayed(lot, {"Ag": "920"})
    Lot.objects.filter(pk=lot.pk).update(form=form)
    with refused("lot_in_process", "assay"):
        rule_assay(assay=assay, reason="ours", act=act(3))


def test_an_assay_whose_ruling_was_taken_back_no_longer_says_it_rules(api, act, received, assayed):
    lot = received(1000)
    first = rule_assay(assay=assayed(lot, {"Ag": "930", "Cu": "70"}), reason="ours", act=act(3))
    second = rule_assay(assay=assayed(lot, {"Ag": "924"}), reason="umpire", act=act(5))

    def ruling():
        listed = api.get("/api/v1/assays/", {"lot": lot.code}).json()["results"]
        return [each["id"] for each in listed if each["rules"]]

    assert ruling() == [second.assay_id]
    reverse_movement(movement=second.movement, reason="wrong lot", act=act(6))
    assert ruling() == [first.assay_id]


def test_an_assay_that_found_nothing_is_refused(act, received, report, refused):
    lot = received(1000)
    with refused("nothing_found", "assay.results"):
        record_assay(lot=lot, report=report({}), act=act(2))


def test_no_lots_have_no_uncertainties(db):
    assert ruled_uncertainties([]) == stated_uncertainties([]) == {}


def test_a_ruling_that_changed_nothing_is_not_taken_back_under_a_later_one(
    act, received, assayed, refused
):
    lot = received(1000)
    first = rule_assay(assay=assayed(lot, {"Ag": "925", "Cu": "75"}), reason="ours", act=act(3))
    rule_assay(assay=assayed(lot, {"Ag": "924"}), reason="umpire", act=act(4))
    with refused("ruled_later", "movement"):
        reverse_movement(movement=first.movement, reason="wrong lot", act=act(5))
