"""Who may record something may take it back, and nobody else, by the API or by the receipt."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from lots.models import Movement
from lots.services.ownership import change_owner
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from tests.builders import GRAM, receive, row_counts

REASON = {"reason": "wrong lot"}


@pytest.fixture
def recorded(works: SimpleNamespace, act: Callable[..., object]) -> dict[str, Movement]:
    """A movement that all may take back, one of those who write off, one of the office."""
    lots = [receive(works, act(), owner=works.brackwater) for _ in range(3)]
    return {
        "transfer": transfer_lot(lot=lots[0], place=works.places["melt-bench"], act=act(1)),
        "write off": write_off(
            lot=lots[1], cause="spill", stage="fine_melt", mass_ug=GRAM, act=act(1)
        ),
        "owner": change_owner(lot=lots[2], owner=works.house, act=act(1)),
    }


@pytest.mark.parametrize(
    ("role", "refused"),
    [("operator", {"owner"}), ("assayer", {"owner", "write off"}), ("accountant", set())],
)
def test_what_only_some_may_record_only_they_take_back(
    works: SimpleNamespace,
    recorded: dict[str, Movement],
    api_as: Callable[[object], APIClient],
    browse_as: Callable[[object], Client],
    role: str,
    refused: set[str],
) -> None:
    user = getattr(works, role)
    for what, movement in recorded.items():
        before = row_counts()
        receipt = browse_as(user).get(reverse("movement", args=[movement.sequence]))
        offered = "take-back" in receipt.content.decode()
        by_page = browse_as(user).post(
            reverse("movement", args=[movement.sequence]), {**REASON, "key": f"take-back-{what}"}
        )
        answer = api_as(user).post(f"/api/v1/movements/{movement.sequence}/reverse/", REASON)
        if what in refused:
            assert (by_page.status_code, answer.status_code, offered) == (403, 403, False)
            assert answer.json()["code"] == "reversal_not_yours"
            assert row_counts() == before
        else:
            assert (by_page.status_code, offered) == (302, True)
            assert answer.json()["code"] == "already_reversed"
