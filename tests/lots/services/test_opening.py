"""Opening balances: lots, electrolyte, bags and claims as of a date."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lots.codes import make_code
from lots.ledger import accounts
from lots.ledger.holdings import AsOf, claims_of, holding
from lots.models import BooksMonth, Entry, Lot
from lots.services.opening import Amount, Opening, open_claim, open_lot

G = 1_000_000


@pytest.fixture
def bag(works):
    return Opening(
        form=Lot.Form.SLIMES_BAG,
        owner=works.house,
        place=works.places["slimes-cabinet"],
        metals={"Ag": Amount(40 * G, 4 * G), "Au": Amount(12 * G, 2 * G)},
        mass_ug=70 * G,
        description="Found in the cabinet on the opening day",
    )


def test_a_bag_is_on_the_books_with_its_uncertainty_from_the_opening_day(works, act, bag):
    lot = open_lot(opening=bag, act=act(-24 * 30))
    assert holding(lot).metals == {"Ag": 40 * G, "Au": 12 * G}
    assert holding(lot).mass_ug == 70 * G
    assert holding(lot, AsOf(act(-24 * 31).moment)).is_empty
    assert lot.content == Lot.Content.BY_DIFFERENCE
    entries = Entry.objects.filter(lot=lot).order_by("metal")
    assert [entry.standard_uncertainty_ug for entry in entries] == [4 * G, 2 * G]
    taken = Entry.objects.filter(account__code=accounts.OPENING).order_by("metal")
    assert [entry.mass_ug for entry in taken] == [-40 * G, -12 * G]
    assert claims_of(works.house) == {"Ag": 40 * G, "Au": 12 * G}


def test_electrolyte_in_use_is_told_by_its_volume(works, act):
    opening = Opening(
        form=Lot.Form.ELECTROLYTE,
        owner=works.house,
        place=works.places["carboys"],
        metals={"Ag": Amount(1800 * G), "Cu": Amount(500 * G)},
        volume_ul=12_000_000,
        content=Lot.Content.ASSAYED,
    )
    lot = open_lot(opening=opening, act=act())
    assert (holding(lot).volume_ul, holding(lot).mass_ug) == (12_000_000, 0)
    assert lot.is_measured


def test_a_label_in_use_is_kept_and_never_given_again(act, bag, received):
    lot = open_lot(
        opening=replace(bag, code=f"sb26 0001 {make_code('SB', 2026, 1).check}"), act=act()
    )
    assert lot.code.startswith("SB26-0001-")
    other = open_lot(opening=bag, act=act())
    assert other.code.startswith("SB26-0002-")


def test_a_claim_is_owed_out_of_the_houses_own_position(works, act, bag):
    open_lot(opening=bag, act=act())
    movement = open_claim(owner=works.pellow, metals={"Ag": 25 * G}, act=act())
    assert claims_of(works.pellow) == {"Ag": 25 * G}
    assert claims_of(works.house) == {"Ag": 15 * G, "Au": 12 * G}
    assert not movement.entries.exists()


def test_reversal_takes_the_opening_back(works, act, bag, comes_back):
    with comes_back():
        open_lot(opening=bag, act=act())
        open_claim(owner=works.pellow, metals={"Ag": 25 * G}, act=act())


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"form": "in_process"}, "form_not_opened", "form"),
        ({"form": "anode_charge"}, "form_not_opened", "form"),
        ({"form": "soup"}, "form_not_opened", "form"),
        ({"content": "guessed"}, "unknown_choice", "content"),
        ({"mass_ug": 0}, "quantity_needed", "mass"),
        ({"mass_ug": -1}, "not_positive", "mass"),
        ({"mass_ug": 10**13 + 1}, "too_large", "mass"),
        ({"volume_ul": -1}, "not_positive", "volume"),
        ({"form": "electrolyte"}, "quantity_needed", "volume"),
        ({"metals": {"Ag": Amount(0)}}, "not_positive", "metals.Ag"),
        ({"metals": {"Ag": Amount(-5)}}, "not_positive", "metals.Ag"),
        ({"metals": {"Ag": Amount(10**13 + 1)}}, "too_large", "metals.Ag"),
        ({"metals": {"Ag": Amount(5, -1)}}, "not_positive", "metals.Ag.standard_uncertainty"),
        ({"metals": {"Xx": Amount(5)}}, "unknown_metal", "metals.Xx"),
        (
            {"metals": {"Ag": Amount(60 * G), "Au": Amount(11 * G)}},
            "metals_above_mass",
            "metals",
        ),
        ({"code": "SB26-0001-%"}, "bad_code", "code"),
        ({"description": "x" * 201}, "too_long", "description"),
        ({"description": "a\x00b"}, "not_text", "description"),
    ],
)
def test_an_opening_that_cannot_be_is_refused(act, bag, refused, given, code, field):
    with refused(code, field):
        open_lot(opening=replace(bag, **given), act=act())


@pytest.mark.parametrize(
    ("metals", "code", "field"),
    [
        ({}, "nothing_taken", "metals"),
        ({"Ag": 0}, "not_positive", "metals.Ag"),
        ({"Ag": -1}, "not_positive", "metals.Ag"),
        ({"Zz": 1}, "unknown_metal", "metals.Zz"),
    ],
)
def test_a_claim_that_cannot_be_is_refused(works, act, refused, metals, code, field):
    with refused(code, field):
        open_claim(owner=works.pellow, metals=metals, act=act())


def test_the_house_opens_no_claim_on_itself(works, act, refused):
    with refused("house_has_no_claim", "owner"):
        open_claim(owner=works.house, metals={"Ag": 1}, act=act())


def test_an_opening_in_a_closed_month_or_the_future_is_refused(works, act, bag, refused):
    moment = act().moment
    BooksMonth.objects.create(
        first_day=moment.date().replace(day=1),
        starts_at=moment.replace(day=1, hour=0),
        ends_at=moment.replace(month=6, day=1, hour=0),
        state="closed",
    )
    with refused("month_closed", "occurred_at"):
        open_lot(opening=bag, act=act())
    with refused("month_closed", "occurred_at"):
        open_claim(owner=works.pellow, metals={"Ag": 1}, act=act())
    with refused("in_the_future", "occurred_at"):
        open_lot(opening=bag, act=act(48))
