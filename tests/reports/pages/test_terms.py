"""A customer's terms by form: previewed, written down as a version, frozen in settlements."""

from __future__ import annotations

import pytest
from django.urls import reverse

from reports.models import ContractTerms
from reports.terms import parse_terms
from tests.builders import row_counts


@pytest.fixture
def office(works, browse_as):
    return browse_as(works.accountant)


def filled(office, code="brackwater"):
    """The form as it stands when it is opened."""
    form = office.get(reverse("terms-write", args=[code])).context["form"]
    values = {name: form[name].value() for name in form.fields}
    return {name: value for name, value in values.items() if value not in (None, False)}


def write_terms(office, code="brackwater", **given):
    return office.post(reverse("terms-write", args=[code]), given)


def test_the_form_begins_with_the_version_before_and_previews_what_changes(office, in_force):
    given = filled(office)
    before = row_counts()
    same = write_terms(office, **given, do="preview")
    assert "these are the terms that hold already" in same.content.decode()
    changed = given | {"Ag-accountability": "0 98.5 1\n950 99.25 0.5", "umpire_fee": "95"}
    page = write_terms(office, **changed, do="preview").content.decode()
    for said in ("from 0 ‰: 99 %", "from 950 ‰: 99.25 %", "95 EUR", "Nothing is written down yet"):
        assert said in page, said
    assert row_counts() == before
    answer = write_terms(office, **changed, do="record")
    assert answer.url == reverse("customer-terms", args=["brackwater"])
    first, second = ContractTerms.objects.order_by("number")
    assert second.number == 2
    tiers = parse_terms(second.content).metals[0].accountability
    assert [f"{tier.percent:f}" for tier in tiers] == ["98.5", "99.25"]
    assert in_force.contract_terms == first
    in_force.refresh_from_db()
    assert in_force.terms == first.content
    shown = office.get(answer.url).content.decode()
    assert "1 settlement made by it" in shown
    assert "What it changed" in shown


def test_a_first_version_is_written_for_a_customer_without_any(office, works):
    given = filled(office, "pellow-dane") | {
        "currency": "EUR",
        "Ag-settled": "on",
        "Ag-umpire_rule": "umpire",
        "penalties": "Bi 0.5 1.2",
        "do": "record",
    }
    answer = write_terms(office, "pellow-dane", **given)
    assert answer.status_code == 302, answer.context["form"].errors
    terms = parse_terms(ContractTerms.objects.get(customer=works.pellow).content)
    assert [metal.metal for metal in terms.metals] == ["Ag"]
    assert (terms.penalties[0].element, str(terms.penalties[0].limit_ppt)) == ("Bi", "0.5")
    assert "Pellow" in office.get(reverse("terms")).content.decode()


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"Ag-accountability": "0 101"}, "Ag-accountability"),
        ({"Ag-accountability": "0 99 0.5 7"}, "Ag-accountability"),
        ({"treatment": "1 40"}, "treatment"),
        ({"penalties": "Bi much 1"}, "penalties"),
        ({"currency": "euro"}, "currency"),
        ({"Ag-settled": ""}, "Ag-settled"),
        ({"rounding_money": "9"}, "rounding_money"),
        ({"days": "-1"}, "days"),
    ],
)
def test_terms_that_cannot_be_are_refused_beside_their_field(office, in_force, given, field):
    sent = filled(office) | given
    before = row_counts()
    for do in ("preview", "record"):
        answer = write_terms(office, **sent, do=do)
        assert (answer.status_code, answer.context["form"].has_error(field)) == (400, True)
    assert row_counts() == before


def test_terms_are_read_by_the_works_and_written_by_the_office(works, browse_as, in_force):
    floor, isolde = browse_as(works.operator), browse_as(works.isolde)
    for name, args, status in (
        ("terms", [], 200),
        ("customer-terms", ["brackwater"], 200),
        ("terms-write", ["brackwater"], 403),
    ):
        assert floor.get(reverse(name, args=args)).status_code == status
        assert isolde.get(reverse(name, args=args)).status_code == 404
    assert floor.get(reverse("customer-terms", args=["tern-quay"])).status_code == 404
