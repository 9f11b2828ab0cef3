"""What is owed against what is held, by how soon it can be delivered."""

from __future__ import annotations

from decimal import Decimal

from lots.models import Lot
from lots.queries.holdings import AsOf
from lots.services.opening import Amount, Opening, open_claim, open_lot
from reports.queries.obligations import CoverWarning, Readiness, obligations


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
