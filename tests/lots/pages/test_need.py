"""Forms in order of need: what is needed in sight, the rest under “more”, units beside masses."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from django.test import Client
from django.urls import reverse

from lots.models import KeptForm, Lot, Weighing
from lots.services.saved_forms import keep_form

SENT = {"form": "granules", "key": "once", "declared-Ag": "925"}


def receipt(works: SimpleNamespace, **changed: str) -> dict[str, str]:
    at = {"balance": str(works.balance.pk), "place": str(works.places["feed-shelf"].pk)}
    return {**SENT, "party": str(works.brackwater.pk), **at, **changed}


def names(page: object, where: str) -> set[str]:
    return {field.name for field in page.context[where]}  # type: ignore[attr-defined]


def test_what_is_needed_stands_in_sight_and_the_rest_under_more(
    works: SimpleNamespace, browser: Client
) -> None:
    page = browser.get(reverse("receive"))
    assert {"party", "form", "gross", "balance", "place", "declared"} <= names(page, "first")
    assert names(page, "rest") == {"description", "code", "occurred_at", "note"}
    assert page.context["is_more_open"] is False


def test_more_opens_where_an_error_or_a_value_stands(
    works: SimpleNamespace, browser: Client
) -> None:
    wrong = receipt(works, gross="", code="granules from the shop")
    assert browser.post(reverse("receive"), wrong).context["is_more_open"] is True
    without = browser.post(reverse("receive"), receipt(works, gross=""))
    assert without.context["is_more_open"] is False
    named = browser.get(reverse("receive") + "?note=from+the+fair")
    assert named.context["is_more_open"] is True


@pytest.mark.parametrize(
    ("gross", "unit", "mass_ug"),
    [
        ("100", "g", 100_000_000),
        ("100,5", "g", 100_500_000),
        ("3", "ozt", 93_310_430),
        ("100 g", "kg", 100_000_000),
    ],
)
def test_unit_is_chosen_beside_the_mass_and_one_typed_counts_more(
    works: SimpleNamespace, browser: Client, gross: str, unit: str, mass_ug: int
) -> None:
    answer = browser.post(reverse("receive"), receipt(works, gross=gross, **{"gross-unit": unit}))
    assert answer.status_code == 302
    weighing = Weighing.objects.get()
    assert weighing.gross_ug == mass_ug
    assert weighing.entered_as.endswith(unit if gross[-1].isdigit() else "g")


def test_a_number_of_two_readings_is_asked_about(works: SimpleNamespace, browser: Client) -> None:
    sent = receipt(works, gross="1,234", **{"gross-unit": "g"})
    answer = browser.post(reverse("receive"), sent)
    assert answer.context["form"].has_error("gross", "ambiguous_number")
    assert not Lot.objects.exists()


def test_the_only_balance_is_chosen(works: SimpleNamespace, browser: Client) -> None:
    page = browser.get(reverse("receive"))
    assert page.context["form"]["balance"].value() == works.balance.pk
    assert page.context["form"]["place"].value() is None


def test_a_form_put_aside_does_not_bring_back_its_moment(
    works: SimpleNamespace, browser: Client
) -> None:
    pairs = [("gross", "7 g"), ("occurred_at", "2026-05-04T09:30")]
    keep_form(user=works.operator, address=reverse("receive"), title="Receive", values=pairs)
    page = browser.get(reverse("receive"))
    assert KeptForm.objects.exists()
    assert page.context["form"]["gross"].value() == "7 g"
    assert page.context["form"]["occurred_at"].value() is None
    assert "it was 2026-05-04 09:30" in page.content.decode()


def test_a_hazard_is_in_sight_beside_the_folded_rest(
    works: SimpleNamespace, browser: Client
) -> None:
    page = browser.get(reverse("melt", args=[_lot(works, browser).code])).content.decode()
    before = page.partition("<details open data-cautions>")[0]
    assert page.partition('id="cautions-title"')[2]
    assert "<p>" in before.rpartition("</h2>")[2]


def _lot(works: SimpleNamespace, browser: Client) -> Lot:
    browser.post(reverse("receive"), receipt(works, gross="100 g"))
    return Lot.objects.get()
