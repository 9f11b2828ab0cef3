"""Parties, places and balances."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from lots.measurements.weighings import Weight
from lots.models import Balance, Party, Place, Weighing
from lots.services.reference import (
    BalanceDetails,
    PartyDetails,
    PlaceDetails,
    create_balance,
    create_party,
    create_place,
    edit_balance,
    edit_party,
    edit_place,
)

SALVAGE = PartyDetails("Contactor Yard Salvage", "customer", "by the gate", "contactor-yard")
RACK = PlaceDetails("Drying rack", "wet_bench", "drying-rack")
FINE = BalanceDetails("Fine balance", 100, 220_000_000, 150, dt.date(2026, 12, 31), "fine")


def test_a_party_a_place_and_a_balance_are_added(act, works):
    party = create_party(details=SALVAGE, act=act())
    place = create_place(details=RACK, act=act())
    balance = create_balance(details=FINE, act=act())
    assert (party.name, party.kind, party.version) == ("Contactor Yard Salvage", "customer", 1)
    assert (place.area, place.is_active) == ("wet_bench", True)
    assert (balance.readability_ug, balance.calibration_due) == (100, dt.date(2026, 12, 31))


def test_an_edit_on_the_version_seen_is_kept_and_counts(act, works):
    party = create_party(details=SALVAGE, act=act())
    edit_party(party=party, version=1, details=replace(SALVAGE, name="Yard Salvage"), act=act(1))
    party = Party.objects.get(pk=party.pk)
    assert (party.name, party.version) == ("Yard Salvage", 2)
    place = create_place(details=RACK, act=act())
    edit_place(place=place, version=1, details=replace(RACK, is_active=False), act=act(1))
    assert Place.objects.get(pk=place.pk).is_active is False


def test_a_recalibrated_balance_leaves_earlier_weighings_as_they_were(act, works, received):
    received(1000)
    details = BalanceDetails(
        "Bench balance", 100_000, 6_200_000_000, 90_000, dt.date(2028, 1, 31), "bench"
    )
    edit_balance(balance=works.balance, version=1, details=details, act=act(1))
    assert Balance.objects.get(code="bench").standard_uncertainty_ug == 90_000
    assert Weighing.objects.get().standard_uncertainty_ug == 141_421


def test_an_edit_on_an_older_version_is_refused(act, works, refused):
    party = create_party(details=SALVAGE, act=act())
    edit_party(party=party, version=1, details=replace(SALVAGE, contact="by phone"), act=act(1))
    with refused("version_conflict", "version"):
        edit_party(party=party, version=1, details=SALVAGE, act=act(2))
    with refused("version_conflict", "version"):
        edit_balance(balance=works.balance, version=7, details=FINE, act=act(2))
    with refused("version_conflict", "version"):
        edit_place(place=works.places["fine-safe"], version=2, details=RACK, act=act(2))


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"code": "brackwater"}, "duplicate_code", "code"),
        ({"code": "two words"}, "bad_code", "code"),
        ({"code": "x" * 25}, "too_long", "code"),
        ({"name": ""}, "empty", "name"),
        ({"name": "x" * 121}, "too_long", "name"),
        ({"name": "a\x00"}, "not_text", "name"),
        ({"contact": "x" * 201}, "too_long", "contact"),
        ({"kind": "wizard"}, "unknown_choice", "kind"),
        ({"kind": "house"}, "one_house", "kind"),
    ],
)
def test_a_party_that_cannot_be_is_refused(act, works, refused, given, code, field):
    with refused(code, field):
        create_party(details=replace(SALVAGE, **given), act=act())
    with refused(code, field):
        edit_party(party=works.pellow, version=1, details=replace(SALVAGE, **given), act=act())


def test_the_house_stays_the_house_and_keeps_its_own_code(act, works, refused):
    details = PartyDetails("Tern Quay Refining", "customer", code="tern-quay")
    with refused("one_house", "kind"):
        edit_party(party=works.house, version=1, details=details, act=act())
    renamed = replace(details, kind="house", name="Tern Quay")
    assert edit_party(party=works.house, version=1, details=renamed, act=act()).name == "Tern Quay"


def test_a_place_that_cannot_be_is_refused(act, works, received, refused):
    with refused("unknown_choice", "area"):
        create_place(details=replace(RACK, area="moon"), act=act())
    with refused("duplicate_code", "code"):
        create_place(details=replace(RACK, code="fine-safe"), act=act())
    received(1000)
    shelf = PlaceDetails("Feed shelf", "feed_store", "feed-shelf", is_active=False)
    with refused("place_in_use", "is_active"):
        edit_place(place=works.places["feed-shelf"], version=1, details=shelf, act=act(1))


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"code": "bench"}, "duplicate_code", "code"),
        ({"capacity_ug": 0}, "not_positive", "capacity"),
        ({"capacity_ug": 10**14}, "too_large", "capacity"),
        ({"readability_ug": 0}, "not_positive", "readability"),
        ({"readability_ug": -1}, "not_positive", "readability"),
        ({"standard_uncertainty_ug": -1}, "not_positive", "standard_uncertainty"),
    ],
)
def test_a_balance_that_cannot_be_is_refused(act, works, refused, given, code, field):
    with refused(code, field):
        create_balance(details=replace(FINE, **given), act=act())


def test_a_code_left_empty_is_made_from_the_name_and_stays(act, works):
    first = create_place(details=PlaceDetails("Fine safe", "fine_store"), act=act())
    assert first.code == "fine-safe-2"
    edited = edit_place(
        place=first, version=1, details=PlaceDetails("Étagère d'or", "fine_store"), act=act()
    )
    assert (edited.code, edited.name) == ("fine-safe-2", "Étagère d'or")
    named = create_place(details=PlaceDetails("銀庫", "fine_store"), act=act())
    assert named.code == "place"
    long = create_place(details=PlaceDetails("x" * 100, "fine_store"), act=act())
    again = create_place(details=PlaceDetails("x" * 100, "fine_store"), act=act())
    assert (len(long.code), again.code) == (20, f"{long.code}-2")


def test_a_scale_is_known_by_its_last_digit_alone(act, works, received):
    scale = create_balance(details=BalanceDetails("Kitchen scale", 100_000), act=act())
    assert (scale.code, scale.capacity_ug, scale.calibration_due) == ("kitchen-scale", None, None)
    assert (scale.standard_uncertainty_ug, scale.uncertainty_is_supposed) == (28_868, True)
    received(1000, weight=Weight(10**13, 0, scale))
    weighing = Weighing.objects.get()
    assert (weighing.standard_uncertainty_ug, weighing.calibration_overdue) == (28_868, False)


def test_a_supposed_uncertainty_follows_the_last_digit_until_one_is_given(act, works):
    details = BalanceDetails("Kitchen scale", 100_000)
    scale = create_balance(details=details, act=act())
    finer = replace(details, readability_ug=10_000, standard_uncertainty_ug=28_868)
    scale = edit_balance(balance=scale, version=1, details=finer, act=act())
    assert (scale.standard_uncertainty_ug, scale.uncertainty_is_supposed) == (2_887, True)
    known = replace(finer, standard_uncertainty_ug=8_000)
    scale = edit_balance(balance=scale, version=2, details=known, act=act())
    assert (scale.standard_uncertainty_ug, scale.uncertainty_is_supposed) == (8_000, False)
    scale = edit_balance(balance=scale, version=3, details=known, act=act())
    assert (scale.standard_uncertainty_ug, scale.uncertainty_is_supposed) == (8_000, False)
