"""Whether a lot that a late assay's change reaches has an assay of its own for that metal."""

from __future__ import annotations

from lots.ledger import accounts
from lots.ledger.holdings import holding
from lots.ledger.reversal import reverse_movement
from lots.models import Entry
from lots.services.shipping import ship_lot

G = 1_000_000


def on_account(code, metal="Ag"):
    found = Entry.objects.filter(account__code=code, metal=metal)
    return sum(found.values_list("mass_ug", flat=True))


def test_an_assay_of_one_metal_leaves_the_others_to_follow(received, split, rule):
    lot = received(1000, declared={"Ag": "900", "Au": "10"})
    (part,) = split(lot, 500)
    rule(part, {"Ag": "915"}, hours=3)
    rule(lot, {"Ag": "920", "Au": "12"}, hours=4)
    assert holding(part).metals == {"Ag": 457_500_000, "Au": 6 * G}
    assert on_account(accounts.ASSAY_DIFFERENCE, "Au") == -2 * G


def test_an_assay_no_longer_ruling_does_not_count_as_the_parts_own(act, received, split, rule):
    lot = received(1000, declared={"Ag": "900"})
    (part,) = split(lot, 500)
    mistaken = rule(part, {"Ag": "915"}, hours=3)
    reverse_movement(movement=mistaken.movement, reason="another lot's beads", act=act(4))
    rule(lot, {"Ag": "920"}, hours=5)
    assert holding(part).metals == {"Ag": 460 * G}


def test_metal_nobody_knew_of_when_it_was_shipped_went_to_shipments(
    works, act, received, split, rule
):
    lot = received(1000, declared={})
    (part,) = split(lot, 250)
    ship_lot(lot=part, to=works.pellow, act=act(2))
    rule(lot, {"Ag": "900"})
    assert (holding(lot).metals, on_account(accounts.SHIPPED)) == ({"Ag": 675 * G}, 225 * G)
