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


@pytest.mark.django_db
def test_the_month_says_whether_it_is_sound_and_what_to_look_at_first(demo, office):
    """The second closed with palladium beyond its limit; the third holds the mis-keyed weight."""
    said = office.get(
        reverse("month-verdict", args=[str(month_period(demo.months[1]))])
    ).content.decode()
    assert "not sound" in said
    period = month_period(demo.months[-1])
    said = office.get(reverse("month-verdict", args=[str(period)])).content.decode()
    assert best_estimate(period).suspicions[0].sentence in said


@pytest.mark.django_db
def test_a_part_of_the_months_page_is_no_page_of_its_own(demo, office):
    period = month_period(demo.months[0])
    page = office.get(reverse("month-verdict", args=[str(period)]), headers={"HX-Request": "true"})
    assert b"<html" not in page.content
    assert b"<h1>Is" not in page.content
