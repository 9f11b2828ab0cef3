"""A form put aside on one device is finished on another; it is nobody else's, and on no books."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.test import Client
from django.urls import reverse

from lots import clock
from lots.models import KeptForm, Lot, Movement
from lots.services import saved_forms


@pytest.fixture
def typed(works: SimpleNamespace) -> dict[str, object]:
    """Half of a charge of three lots: enough to tell each kind of field."""
    return {
        "key": "page-begun",
        "takes-lot": ["GR26-0001-X", "", "not a code"],
        "takes-portion": ["500 g", "", ""],
        "form": "granules",
        "place": str(works.places["melt-bench"].pk),
        "description": "hälf <done>",
        "occurred_at": "2026-05-04T09:30",
        "keep": "1",
    }


def test_form_begun_on_one_device_is_finished_on_another(
    works: SimpleNamespace, browse_as: Callable[[object], Client], typed: dict[str, object]
) -> None:
    phone, office = browse_as(works.operator), browse_as(works.operator)
    assert phone.post(reverse("blend"), typed).url == "/"
    assert Movement.objects.count() == 0
    today = office.get("/").content.decode()
    assert f'href="{reverse("blend")}">Blend lots</a>' in today
    form = office.get(reverse("blend")).context["form"]
    assert form["key"].value() == "page-begun"
    assert form["takes"].value() == [("GR26-0001-X", "500 g"), ("not a code", "")]
    assert form["keep_apart"].value() is False
    page = office.get(reverse("blend")).content.decode()
    assert "hälf &lt;done&gt;" in page
    # When it happened is asked again, lest an old time slip in; the page says what it was.
    assert 'value="2026-05-04T09:30"' not in page


def test_recording_it_takes_it_off_the_list(browser: Client, works: SimpleNamespace) -> None:
    sent = {
        "key": "page-one",
        "party": works.brackwater.pk,
        "form": "feed",
        "place": works.places["feed-shelf"].pk,
        "gross": "100 g",
        "balance": works.balance.pk,
        "occurred_at": "2026-05-04T09:30",
    }
    browser.post(reverse("receive"), sent | {"keep": "1", "gross": ""})
    assert KeptForm.objects.count() == 1
    browser.post(reverse("receive"), sent)
    assert Lot.objects.count() == 1
    assert KeptForm.objects.count() == 0


def test_another_persons_is_neither_seen_nor_thrown_away(
    works: SimpleNamespace, browse_as: Callable[[object], Client], typed: dict[str, object]
) -> None:
    browse_as(works.operator).post(reverse("blend"), typed)
    kept, manager = KeptForm.objects.get(), browse_as(works.manager)
    assert "Begun and kept" not in manager.get("/").content.decode()
    assert manager.get(reverse("blend")).context["form"]["description"].value() is None
    assert manager.post(reverse("drop-kept", args=[kept.pk])).status_code == 404
    assert browse_as(works.isolde).post(reverse("drop-kept", args=[kept.pk])).status_code == 404
    assert browse_as(works.operator).post(reverse("drop-kept", args=[kept.pk])).url == "/"
    assert KeptForm.objects.count() == 0


def test_kept_form_expires_and_there_is_an_end_to_their_number(
    browser: Client, typed: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    browser.post(reverse("blend"), typed)
    with clock.at(clock.now() + dt.timedelta(days=31)):
        assert not browser.get("/").context["kept"]
        assert browser.get(reverse("blend")).context["kept"] is None
        browser.post(reverse("receive"), {"keep": "1", "gross": "1 g"})
    assert [each.address for each in KeptForm.objects.all()] == [reverse("receive")]
    monkeypatch.setattr(saved_forms, "KEPT_MAX", 1)
    refused = browser.post(reverse("blend"), typed)
    assert refused.context["form"].has_error("__all__", "too_many")
    assert KeptForm.objects.count() == 1
    long = browser.post(reverse("receive"), {"keep": "1", "note": "x" * 20_001})
    assert long.context["form"].has_error("__all__", "too_large")
