"""What is owed against what is held, by how soon it can be delivered."""

from __future__ import annotations

from decimal import Decimal

from lots.ledger.holdings import AsOf
from lots.models import Lot
from lots.services.opening import Amount, Opening, open_claim, open_lot
from lots.services.quarantine import quarantine_lot, release_lot
from reports.queries.obligations import CoverWarning, Readiness, obligations, owed_by_customer


def opened(works, act, form, place, grams, owner=None):
    opening = Opening(
        form=form,
        owner=owner or works.house,
        place=works.places[place],
        metals={"Ag": Amount(grams * 1_000_000)},
        mass_ug=grams * 1_000_000,
    )
    return open_lot(opening=opening, act=act(0))


def test_cover_by_readiness_with_its_warnings(works, act):
    opened(works, act, Lot.Form.FINE_CRYSTAL, "fine-safe", 300)
    opened(works, act, Lot.Form.FINE_CRYSTAL, "quarantine", 50)
    opened(works, act, Lot.Form.SLIMES_BAG, "slimes-cabinet", 20)
    opened(works, act, Lot.Form.GRANULES, "melt-bench", 130)
    opened(works, act, Lot.Form.BAR, "fine-safe", 70, works.pellow)
    open_claim(owner=works.brackwater, metals={"Ag": 400_000_000}, act=act(1))
    silver = obligations().metals[0]
    assert silver.owed_ug == 400_000_000
    assert silver.kept_apart_ug == 70_000_000
    assert silver.held_ug == {
        Readiness.FINE: 300_000_000,
        Readiness.IN_PROCESS: 180_000_000,
        Readiness.IN_SLIMES: 20_000_000,
    }
    assert silver.house_own_ug == 100_000_000
    assert (silver.cover, silver.deliverable_cover) == (Decimal("1.2500"), Decimal("0.7500"))
    assert silver.warnings == (CoverWarning.OWED_ABOVE_DELIVERABLE,)


def test_more_owed_than_held_is_warned_of(works, act):
    opened(works, act, Lot.Form.FINE_CRYSTAL, "fine-safe", 100)
    open_claim(owner=works.brackwater, metals={"Ag": 100_000_001}, act=act(1))
    silver = obligations().metals[0]
    assert silver.warnings == (CoverWarning.OWED_ABOVE_HELD, CoverWarning.OWED_ABOVE_DELIVERABLE)
    assert silver.house_own_ug == -1


def test_nothing_owed_has_no_ratio_and_no_warning(works, act):
    opened(works, act, Lot.Form.FINE_CRYSTAL, "fine-safe", 100)
    open_claim(owner=works.brackwater, metals={"Ag": 1}, act=act(1))
    silver = obligations(AsOf(act(0.5).moment)).metals[0]
    assert (silver.cover, silver.warnings) == (None, ())


def test_fine_metal_set_aside_where_it_stands_is_not_deliverable(works, act):
    crystal = opened(works, act, Lot.Form.FINE_CRYSTAL, "fine-safe", 300)
    opened(works, act, Lot.Form.FINE_CRYSTAL, "fine-safe", 50)
    open_claim(owner=works.brackwater, metals={"Ag": 100_000_000}, act=act(1))
    quarantine_lot(lot=crystal, reason="a torn bag", act=act(2))
    silver = obligations().metals[0]
    assert (silver.held_ug[Readiness.FINE], silver.held_ug[Readiness.IN_PROCESS]) == (
        50_000_000,
        300_000_000,
    )
    assert silver.warnings == (CoverWarning.OWED_ABOVE_DELIVERABLE,)
    assert obligations(AsOf(act(1.5).moment)).metals[0].warnings == ()
    release_lot(lot=crystal, reason="assayed again", act=act(3))
    assert obligations().metals[0].warnings == ()


def test_what_is_owed_is_told_by_customer(works, act):
    opened(works, act, Lot.Form.FINE_CRYSTAL, "fine-safe", 300)
    for owner, ug in ((works.pellow, 7), (works.brackwater, 5)):
        open_claim(owner=owner, metals={"Ag": ug}, act=act(1))
    assert owed_by_customer() == [(works.brackwater, {"Ag": 5}), (works.pellow, {"Ag": 7})]
    assert owed_by_customer(AsOf(act(0.5).moment)) == []
