"""Sets up the invented works: its people, parties, places, balances, cells and contracts."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth import get_user_model

from cells.models import Cell, ElectrolyteBatch
from lots.models import Balance, Lot, Party, Person, Place
from reports.demo.truth import UG_PER_G, TrueLot

SCENARIO = Path(settings.BASE_DIR) / "fixtures" / "tern_quay.json"


@dataclass
class Cast:
    """Everyone and everything the story names, by code."""

    people: dict[str, Any]
    parties: dict[str, Party]
    places: dict[str, Place]
    balances: dict[str, Balance]
    cells: dict[str, Cell]
    electrolytes: dict[str, ElectrolyteBatch]
    true: dict[str, TrueLot]

    def of(self, lot: Lot) -> TrueLot:
        """What a lot truly holds."""
        return self.true[lot.code]


def scenario() -> dict[str, Any]:
    """The invented facts."""
    facts: dict[str, Any] = json.loads(SCENARIO.read_text("utf-8"))
    return facts


def set_up(facts: dict[str, Any], first_day: dt.date, password: str) -> Cast:
    """Writes the reference data and the people, who all sign in with `password`."""
    parties = {each["code"]: Party.objects.create(**each) for each in facts["parties"]}
    places = {each["code"]: Place.objects.create(**each) for each in facts["places"]}
    return Cast(
        people=_people(facts, parties, password),
        parties=parties,
        places=places,
        balances={each["code"]: _balance(each, first_day) for each in facts["balances"]},
        cells={each["code"]: _cell(each, places) for each in facts["cells"]},
        electrolytes={},
        true={},
    )


def _people(facts: dict[str, Any], parties: dict[str, Party], password: str) -> dict[str, Any]:
    people = {}
    for each in facts["people"]:
        first, _, last = each["name"].partition(" ")
        user = get_user_model().objects.create_user(
            username=each["username"],
            password=password,
            first_name=first,
            last_name=last,
            is_staff=each["role"] == "manager",
            is_superuser=each["role"] == "manager",
        )
        Person.objects.create(
            user=user, role=each["role"], party=parties.get(each.get("party", ""))
        )
        people[each["username"]] = user
    return people


def _balance(facts: dict[str, Any], first_day: dt.date) -> Balance:
    due = first_day + dt.timedelta(days=31 * facts["calibration_due_months"] + 75)
    return Balance.objects.create(
        code=facts["code"],
        name=facts["name"],
        capacity_ug=facts["capacity_g"] * UG_PER_G,
        readability_ug=round(Decimal(facts["readability_g"]) * UG_PER_G),
        standard_uncertainty_ug=round(Decimal(facts["u_g"]) * UG_PER_G),
        calibration_due=due,
    )


def _cell(facts: dict[str, Any], places: dict[str, Place]) -> Cell:
    return Cell.objects.create(
        code=facts["code"],
        name=facts["name"],
        place=places[facts["place"]],
        bath_volume_ul=facts["bath_l"] * 1_000_000,
        current_limit_a=Decimal(facts["current_limit_a"]),
        fuse_rating_a=Decimal(facts["fuse_rating_a"]),
        basket_ug_max=facts["basket_g"] * UG_PER_G,
    )
