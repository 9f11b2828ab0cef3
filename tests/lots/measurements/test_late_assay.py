"""An assay that rules after the metal has moved on."""

from __future__ import annotations

import random

import pytest

from lots.ledger import accounts
from lots.ledger.content_uncertainty import stated_uncertainties
from lots.ledger.drafts import Draft, Line, MaterialLine
from lots.ledger.holdings import claims_of, holding
from lots.measurements.assays import record_assay
from lots.measurements.outputs import Output
from lots.measurements.rulings import rule_assay
from lots.measurements.weighing_difference import post_weighing_difference
from lots.measurements.weighings import Weight, record_weighing
from lots.models import Entry, Lot, Movement
from lots.services.blending import Blend, blend_lots
from lots.services.melting import Melted, melt_lot
from lots.services.opening import open_claim
from lots.services.ownership import change_owner, settle_claim
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.sampling import take_sample
from lots.services.shipping import return_to_customer, ship_lot
from lots.services.splitting import Part, split_lot
from lots.services.taking import Take
from lots.services.write_off import write_off
from tests.lots.ledger.test_posting import post_draft

G = 1_000_000


def on_account(code, metal="Ag"):
    return sum(
        Entry.objects.filter(account__code=code, metal=metal).values_list("mass_ug", flat=True)
    )


def silver(lot):
    return holding(lot).metals.get("Ag", 0)


def test_each_part_of_a_split_lot_takes_its_share(received, split, rule):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 250)
    (grandchild,) = split(child, 100, hours=2)
    ruling = rule(lot, {"Ag": "880"})
    assert [silver(each) for each in (lot, child, grandchild)] == [660 * G, 132 * G, 88 * G]
    assert on_account(accounts.ASSAY_DIFFERENCE) == 20 * G
    assert ruling.movement.refers_to.kind == Movement.Kind.RECEIPT


@pytest.mark.parametrize("ppt", ["880", "920"])
def test_a_part_is_as_sure_as_the_assay_of_the_whole(received, split, rule, ppt):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 250)
    assert stated_uncertainties([child])[child.pk] == {"Ag": None}
    rule(lot, {"Ag": ppt})
    found = stated_uncertainties([lot, child])
    # u = 0.5 per thousand by the assay, and 0.14 g in 1000 g by the balance.
    expected = ((0.5 / float(ppt)) ** 2 + 0.0001414**2) ** 0.5
    assert found[lot.pk]["Ag"] == pytest.approx(expected, rel=1e-4)
    assert found[child.pk]["Ag"] == pytest.approx(expected, rel=1e-4)
    (grandchild,) = split(child, 100, hours=7)
    assert stated_uncertainties([grandchild])[grandchild.pk]["Ag"] == pytest.approx(
        expected, rel=1e-4
    )


def test_what_was_lost_before_changes_without_a_doubt_of_its_own(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    write_off(lot=lot, cause="spill", stage="store", act=act(1), mass_ug=250 * G)
    lost = rule(lot, {"Ag": "880"}).movement.entries.get(account__code=accounts.LOSS)
    assert (lost.mass_ug, lost.standard_uncertainty_ug) == (-5 * G, None)


def test_what_a_lot_has_no_more_metal_for_goes_back_to_the_difference(act, received, rule):
    """Half of the lot went and took all of the silver: the half that stayed can give none back."""
    lot = received(1000, declared={"Ag": "900"})
    lines = [Line("Ag", -900 * G, lot=lot), Line("Ag", 900 * G, account=accounts.LOSS)]
    half = [MaterialLine(lot, mass_ug=-500 * G)]
    draft = Draft(Movement.Kind.WRITE_OFF, Movement.Stage.STORE, lines=lines, materials=half)
    post_draft(draft=draft, act=act(1))
    rule(lot, {"Ag": "880"})
    assert silver(lot) == 0
    assert on_account(accounts.LOSS) == 890 * G
    assert on_account(accounts.ASSAY_DIFFERENCE) == 10 * G


def test_a_metal_nobody_declared_follows_the_material(received, split, rule):
    lot = received(1000, declared={})
    (child,) = split(lot, 250)
    rule(lot, {"Ag": "900", "Au": "10"})
    assert holding(lot).metals == {"Ag": 675 * G, "Au": 7_500_000}
    assert holding(child).metals == {"Ag": 225 * G, "Au": 2_500_000}


def test_commingled_metal_changes_in_the_pool_and_the_claim_with_it(works, act, received, rule):
    hers = received(1000, declared={"Ag": "900"})
    ours = received(1000, owner=works.house, declared={"Ag": "900"})
    pool = blend_lots(
        takes=[Take(hers, mass_ug=400 * G), Take(ours)],
        blend=Blend("granules", works.places["melt-bench"]),
        act=act(1),
    )
    ruling = rule(hers, {"Ag": "920"})
    assert (silver(hers), silver(pool)) == (552 * G, 1268 * G)
    assert claims_of(works.brackwater) == {"Ag": 368 * G}
    assert claims_of(works.house) == {"Ag": 900 * G}
    carried = ruling.movement.entries.get(lot=pool)
    assert (carried.basis, carried.content_by) == (Entry.Basis.PROPORTION, ruling.assay)


def test_an_open_vessel_keeps_the_change_and_a_closed_one_passes_it_on(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        act=act(1),
    )
    first = rule(lot, {"Ag": "910"}, hours=2)
    assert silver(batch.vessel) == 910 * G
    close_batch(batch=batch, act=act(3))
    assert on_account(accounts.MELT_DIFFERENCE) == 910 * G
    rule(lot, {"Ag": "905"}, hours=4)
    assert on_account(accounts.MELT_DIFFERENCE) == 905 * G
    assert holding(batch.vessel).is_empty
    batch.vessel.refresh_from_db()
    assert batch.vessel.state == Lot.State.SPENT
    assert first.movement.entries.filter(lot=batch.vessel).exists()


def test_an_open_vessel_short_of_the_change_takes_the_rest_from_its_difference(
    works, act, received, rule
):
    lot = received(1000, declared={"Ag": "900"})
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        act=act(1),
    )
    output = Output(
        form="granules",
        place=works.places["melt-bench"],
        weight=Weight(980 * G, 0, works.balance),
        declared={"Ag": 910},
    )
    record_output(batch=batch, output=output, act=act(2))
    assert silver(batch.vessel) == 8_200_000
    rule(lot, {"Ag": "880"})
    assert silver(batch.vessel) == 0
    assert on_account(accounts.MELT_DIFFERENCE) == -11_800_000
    assert on_account(accounts.ASSAY_DIFFERENCE) == 20 * G


def test_what_left_the_works_is_told_on_the_account_it_left_to(works, act, received, split, rule):
    lot = received(1000, declared={"Ag": "900"})
    shipped, returned = split(lot, 100, 200)
    ship_lot(lot=shipped, to=works.pellow, act=act(2))
    return_to_customer(lot=returned, customer=works.brackwater, act=act(2))
    write_off(lot=lot, cause="spill", stage="store", act=act(3), mass_ug=70 * G)
    rule(lot, {"Ag": "910"})
    assert on_account(accounts.SHIPPED) == 91 * G
    assert on_account(accounts.RETURNED) == 182 * G
    assert on_account(accounts.LOSS) == 63_700_000
    assert silver(lot) == 573_300_000


def test_a_part_with_an_assay_of_its_own_keeps_its_content(received, split, rule):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 500)
    rule(child, {"Ag": "915"}, hours=3)
    rule(lot, {"Ag": "920"}, hours=4)
    assert (silver(child), silver(lot)) == (457_500_000, 460 * G)
    assert on_account(accounts.ASSAY_DIFFERENCE) == -(7_500_000 + 10 * G)


def test_what_a_melt_was_assayed_at_stays_and_the_melt_takes_the_difference(
    works, act, received, rule
):
    lot = received(1000, declared={"Ag": "900"})
    bar = melt_lot(lot=lot, melted=Melted("bar", works.places["melt-bench"]), act=act(1))
    rule(bar, {"Ag": "905"}, hours=3)
    rule(lot, {"Ag": "910"}, hours=4)
    assert silver(bar) == 905 * G
    assert on_account(accounts.MELT_DIFFERENCE) == 10 * G


def test_a_parts_own_assay_starts_from_what_was_carried_into_it(received, split, rule):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 500)
    (grandchild,) = split(child, 250, hours=2)
    rule(lot, {"Ag": "910"}, hours=3)
    assert (silver(child), silver(grandchild)) == (227_500_000, 227_500_000)
    rule(child, {"Ag": "920"}, hours=4)
    assert (silver(lot), silver(child), silver(grandchild)) == (455 * G, 230 * G, 230 * G)


def test_a_second_late_ruling_replaces_the_first_everywhere(works, act, received, split, rule):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 300)
    ship_lot(lot=child, to=works.pellow, act=act(2))
    rule(lot, {"Ag": "950"}, hours=3)
    rule(lot, {"Ag": "890"}, hours=4, side="umpire")
    assert (silver(lot), on_account(accounts.SHIPPED)) == (623 * G, 267 * G)


def test_what_cannot_be_taken_without_going_below_zero_stays_on_assay_difference(
    works, act, received, split, rule
):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 500)
    rule(child, {"Ag": "1"}, hours=2, u="0.1")
    # The part was found nearly empty; melted with the rest it holds what it holds.
    ruling = rule(lot, {"Ag": "0"}, hours=3, u="0.1")
    assert silver(lot) == 0
    assert silver(child) == 500_000
    assert ruling.movement.entries.filter(lot=child).count() == 0
    balance = on_account(accounts.ASSAY_DIFFERENCE)
    assert balance == 900 * G - 500_000


def test_a_claim_already_settled_is_not_taken_below_zero(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    change_owner(lot=lot, owner=works.house, act=act(1), as_claim=True)
    settle_claim(owner=works.brackwater, metals={"Ag": 895 * G}, act=act(2))
    rule(lot, {"Ag": "880"})
    assert silver(lot) == 880 * G
    assert claims_of(works.brackwater) == {}
    assert claims_of(works.house) == {"Ag": 880 * G}


def test_the_claim_of_a_lot_that_joined_the_pool_follows_its_content(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    change_owner(lot=lot, owner=works.house, act=act(1), as_claim=True)
    rule(lot, {"Ag": "915"})
    assert claims_of(works.brackwater) == {"Ag": 915 * G}
    assert claims_of(works.house) == {}


def test_a_lot_bought_outright_changes_for_the_house_alone(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    change_owner(lot=lot, owner=works.house, act=act(1))
    rule(lot, {"Ag": "915"})
    assert claims_of(works.brackwater) == {}
    assert claims_of(works.house) == {"Ag": 915 * G}


def test_fine_metal_returned_too_rich_is_charged_to_the_claim_after_all(works, act, received, rule):
    fine = received(500, owner=works.house, declared={"Ag": "998"})
    open_claim(owner=works.pellow, metals={"Ag": 600 * G}, act=act(0))
    return_to_customer(lot=fine, customer=works.pellow, act=act(1))
    rule(fine, {"Ag": "999.5"})
    assert on_account(accounts.RETURNED) == 499_750_000
    assert claims_of(works.pellow) == {"Ag": 100_250_000}


def test_a_missing_gram_takes_its_share_to_weighing_difference(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    weighing = record_weighing(
        lot=lot, weight=Weight(990 * G, 0, works.balance), purpose="check", act=act(1)
    )
    post_weighing_difference(weighing=weighing, reason="pan spilt", act=act(2))
    rule(lot, {"Ag": "920"})
    assert silver(lot) == 910_800_000
    assert on_account(accounts.WEIGHING_DIFFERENCE) == 9_200_000


def test_found_weight_is_assayed_with_the_rest(works, act, received, rule):
    lot = received(1000, declared={"Ag": "900"})
    weighing = record_weighing(
        lot=lot, weight=Weight(1010 * G, 0, works.balance), purpose="check", act=act(1)
    )
    post_weighing_difference(weighing=weighing, reason="tare mistaken", act=act(2))
    rule(lot, {"Ag": "920"})
    assert silver(lot) == 929_200_000


def test_the_difference_is_posted_after_the_metal_moved_even_if_decided_before(
    received, split, rule
):
    lot = received(1000, declared={"Ag": "900"})
    (child,) = split(lot, 500, hours=5)
    ruling = rule(lot, {"Ag": "910"}, hours=3)
    assert silver(child) == 455 * G
    assert ruling.movement.occurred_at == child.registered_at
    assert ruling.decided_at < child.registered_at


def test_reversal_of_a_late_ruling_restores_lots_accounts_and_claims(
    works, act, received, split, rule, comes_back
):
    lot = received(1000, declared={"Ag": "900"})
    part, shipped = split(lot, 300, 200)
    ours = received(100, owner=works.house, declared={"Ag": "999"})
    blend_lots(
        takes=[Take(part), Take(ours)],
        blend=Blend("granules", works.places["melt-bench"]),
        act=act(2),
    )
    ship_lot(lot=shipped, to=works.pellow, act=act(2))
    with comes_back():
        rule(lot, {"Ag": "915.5"})


def scramble(lot, works, act, seed):
    """Divides, melts, samples, blends and sends a lot about; returns nothing but history."""
    chance = random.Random(seed)
    alive, hour = [lot], 0.1
    for _ in range(12):
        hour += 0.1
        at = act(hour)
        large = [each for each in alive if holding(each).mass_ug > 10 * G]
        if not large:
            break
        source = chance.choice(large)
        grams = holding(source).mass_ug // G
        what = chance.choice(["split", "split", "blend", "ship", "loss", "melt", "sample"])
        part = chance.randint(1, max(1, grams - 1)) * G
        if what == "split":
            made = split_lot(lot=source, parts=[Part(mass_ug=part)], act=at)
            alive += [each.lot for each in made.standings.all()]
        elif what == "blend" and len(alive) > 1:
            other = chance.choice([each for each in alive if each != source])
            if holding(other).is_empty:
                continue
            takes = [Take(source, mass_ug=part), Take(other)]
            alive.append(
                blend_lots(takes=takes, blend=Blend("granules", works.places["melt-bench"]), act=at)
            )
        elif what == "ship" and len(alive) > 2:
            ship_lot(lot=source, to=works.pellow, act=at)
        elif what == "loss":
            write_off(lot=source, cause="fume", stage="store", act=at, mass_ug=part // 10 or 1)
        elif what == "melt":
            melted = Melted("granules", works.places["melt-bench"])
            alive.append(melt_lot(lot=source, melted=melted, act=at))
        elif what == "sample":
            shelf = works.places["sample-shelf"]
            alive.append(take_sample(lot=source, mass_ug=G, place=shelf, act=at))
        alive = [each for each in alive if not holding(each).is_empty]
    return alive


@pytest.mark.parametrize("seed", range(8))
def test_a_late_assay_ends_where_a_timely_one_would_have(
    works, act, received, report, seed, laboratory_shelf
):
    """The same history told twice: content known from the start, and content known too late."""
    works.places["sample-shelf"] = laboratory_shelf
    told = []
    for early in (True, False):
        lot = received(1000, declared={"Ag": "880", "Cu": "100"})
        assay = record_assay(lot=lot, report=report({"Ag": "912.345", "Cu": "70"}), act=act(0.05))
        if early:
            rule_assay(assay=assay, reason="in time", act=act(0.06))
        first = Movement.objects.order_by("-sequence").first().sequence
        alive = scramble(lot, works, act, seed)
        if not early:
            rule_assay(assay=assay, reason="too late", act=act(8))
        lots = {
            entry.lot_id
            for entry in Entry.objects.filter(movement__sequence__gt=first)
            if entry.lot
        }
        told.append(
            (
                [holding(Lot.objects.get(pk=pk)).metals for pk in sorted(lots)],
                [
                    sum(
                        Entry.objects.filter(
                            account__code=code, metal="Ag", movement__sequence__gt=first
                        ).values_list("mass_ug", flat=True)
                    )
                    for code in (accounts.SHIPPED, accounts.LOSS)
                ],
                len(alive),
            )
        )
    (early_lots, early_accounts, count), (late_lots, late_accounts, other_count) = told
    assert (count, len(early_lots)) == (other_count, len(late_lots))
    for timely, late in zip(early_lots, late_lots, strict=True):
        for metal in ("Ag", "Cu"):
            assert late.get(metal, 0) == pytest.approx(timely.get(metal, 0), abs=12)
    assert late_accounts == pytest.approx(early_accounts, abs=12)
