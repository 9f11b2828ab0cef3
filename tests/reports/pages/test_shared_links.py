"""Links by their pages: made once, shown once, listed, revoked."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import reverse

from reports.models import SharedLink
from tests.builders import row_counts


@pytest.fixture
def office(works, browse_as):
    return browse_as(works.accountant)


def share(office, name, code, **given):
    return office.post(reverse(name, args=[code]), {"key": "share", "days": "7", **given})


def test_a_link_is_shown_once_opens_and_is_revoked(office, in_force):
    answer = share(office, "settlement-share", in_force.code, note="by letter")
    address = re.search(r'value="(http://[^"]+/shared/[^"]+)"', answer.content.decode())[1]
    assert "no-store" in answer.headers["Cache-Control"]
    again = share(office, "settlement-share", in_force.code, note="by letter")
    assert "/shared/" not in again.content.decode()
    link = SharedLink.objects.get()
    stranger = Client()
    assert in_force.code in stranger.get(address).content.decode()
    for page in (reverse("links"), reverse("settlement", args=[in_force.code])):
        listed = office.get(page).content.decode()
        assert "by letter" in listed
        assert "1 time" in listed
        assert address.split("/shared/")[1] not in listed
    revoke = reverse("link-revoke", args=[link.pk])
    assert office.post(revoke, {"key": "revoke"}).status_code == 302
    assert stranger.get(address).status_code == 404
    assert "revoked" in office.get(reverse("links")).content.decode()
    again = office.post(revoke, {"key": "again"})
    assert (again.status_code, again.context["form"].has_error("__all__")) == (409, True)


def test_a_lots_answer_is_shared_and_bad_days_are_refused(office, disputed):
    assert "/shared/" in share(office, "answer-share", disputed.code).content.decode()
    for days in ("0", "91", "x"):
        before = row_counts()
        refused = share(office, "answer-share", disputed.code, days=days, key=f"bad-{days}")
        assert (refused.status_code, refused.context["form"].has_error("days")) == (400, True)
        assert row_counts() == before


def test_links_are_the_offices_alone(works, browse_as, office, in_force):
    share(office, "settlement-share", in_force.code)
    link = SharedLink.objects.get()
    for who, status in ((works.operator, 403), (works.isolde, 404)):
        browser = browse_as(who)
        for address in (
            reverse("links"),
            reverse("link-revoke", args=[link.pk]),
            reverse("settlement-share", args=[in_force.code]),
        ):
            assert browser.get(address).status_code == status, address
    floor = browse_as(works.operator).get(reverse("settlement", args=[in_force.code]))
    assert "Links that show" not in floor.content.decode()
