"""The page that says how sure a month is, on the demo's own mis-keyed weighing."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from lots import display
from lots.models import Person
from reports.queries.month.best_estimate import best_estimate
from reports.queries.month.difference_sequence import month_differences
from reports.queries.month.periods import month_period


@pytest.fixture
def office(demo, db) -> Client:
    client = Client()
    client.force_login(Person.objects.filter(role="accountant").first().user)
    return client


@pytest.mark.django_db
def test_the_miskeyed_weighing_is_named_first_with_its_slip(demo, office):
    period = month_period(demo.months[-1])
    page = office.get(reverse("month-estimate", args=[str(period)])).content.decode()
    first = best_estimate(period).suspicions[0]
    assert first.sentence in page
    assert "two neighbouring digits were swapped" in page
    assert first.proposal is not None
    assert first.proposal.post_instead in page


@pytest.mark.django_db
def test_differences_stand_beside_their_limits_of_error(demo, office):
    period = month_period(demo.months[1])
    page = office.get(reverse("month-estimate", args=[str(period)])).content.decode()
    assert "No measurement of the month stands out" in page
    whole = [each for each in month_differences(period) if not each.area and each.metal == "Ag"]
    assert display.grams(round(whole[0].whole.limit_of_error_95)) in page


@pytest.mark.django_db
def test_a_month_that_is_none_is_not_found(demo, office):
    assert office.get("/months/soon/how-sure/").status_code == 404
