"""A works of one person: who prepared also approves, and everything that shows it says so."""

from __future__ import annotations

import io
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import call_command
from django.db import IntegrityError, transaction
from django.test import Client
from openpyxl import load_workbook
from rest_framework.test import APIClient

from lots.ledger.recording import Act
from lots.ledger.seal_findings import rows_not_as_sealed
from lots.measurements.weighings import Weight
from lots.services.works import say_one_person
from reports.exports.statement_text import statement_text
from reports.models import CountAdjustment, CountSheet, MonthEnd, MonthReopening, Settlement
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import Period
from reports.services.approvals import (
    approve_adjustments,
    approve_month,
    decline_adjustment,
    propose_adjustments,
)
from reports.services.counts import Found, enter_count, open_count_sheet
from reports.services.month_end import begin_month_end, close_month, prepare_month, reopen_month
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms
from tests.pdf_text import text_of
from tests.reports.conftest import APRIL

Make = Callable[..., Any]
SAID = "Prepared and approved by the same person: this works is run by one person."
DECIDED = "Proposed and decided by the same person: this works is run by one person."
TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "metals": [{"metal": "Ag", "splitting_limit_ppt": "2", "accountability": [{"percent": "99"}]}],
    "treatment": [{"per_kg": "40"}],
}


@pytest.fixture
def alone(in_june: SimpleNamespace) -> Act:
    """The manager, who says that nobody else works here."""
    act = Act(who=in_june.works.manager, note="Only Marit works here")
    say_one_person(one_person=True, act=act)
    return act


def no_longer(alone: Act) -> None:
    say_one_person(one_person=False, act=Act(who=alone.who, note="Pell began in June"))


def adjusted(in_june: SimpleNamespace, alone: Act) -> CountSheet:
    works = in_june.works
    month_end = begin_month_end(first_day=APRIL, act=alone)
    sheet = open_count_sheet(month_end=month_end, place=works.places["fine-safe"], act=alone)
    for lot, mass_ug in ((in_june.crystal, 1_992_999_999), (in_june.bar, 797_300_000)):
        found = Found(weight=Weight(mass_ug, 0, works.balance))
        enter_count(sheet=sheet, lot=lot, found=found, act=alone)
    propose_adjustments(sheet=sheet, causes={in_june.crystal.code: "spillage"}, act=alone)
    return approve_adjustments(sheet=sheet, act=alone)


def closed(alone: Act) -> MonthEnd:
    march = begin_month_end(first_day=APRIL.replace(month=3), act=alone)
    april = MonthEnd.objects.get(books_month__first_day=APRIL)
    for month_end in (march, april):
        prepare_month(month_end=month_end, act=alone)
        approve_month(month_end=month_end, act=alone)
        close_month(month_end=month_end, act=alone)
    return april


def test_one_person_closes_a_month_and_every_showing_of_it_says_so_for_good(
    in_june: SimpleNamespace,
    alone: Act,
    april: Period,
    settings: SimpleNamespace,
    tmp_path: Path,
    api_as: Callable[[object], APIClient],
    browse_as: Callable[[object], Client],
) -> None:
    settings.SIGNING_KEY_FILE = tmp_path / "signing.key"
    call_command("make_signing_key", stdout=StringIO())
    sheet = adjusted(in_june, alone)
    closed(alone)
    no_longer(alone)
    (of_month, of_count) = month_statement(april).approval
    assert of_month == SAID
    assert of_count == f"Count adjustment of {in_june.crystal.code}: {DECIDED}"
    assert f"{of_month}\n{of_count}" in statement_text(month_statement(april))
    api = api_as(in_june.works.operator)
    report = "/api/v1/reports/months/2026-04/"
    assert api.get(report).json()["approval"] == [of_month, of_count]
    assert api.get("/api/v1/months/2026-04/").json()["one_person"] == SAID
    book = load_workbook(io.BytesIO(b"".join(api.get(f"{report}?as=xlsx").streaming_content)))
    for name in ("Read me first", "Statement", "Counts"):
        cells = [cell for row in book[name].values for cell in row]
        assert {of_month, of_count} <= set(cells), name
    browser = browse_as(in_june.works.accountant)
    paper = text_of(browser.get("/months/2026-04/paper/").content)
    assert of_month in paper
    assert of_count in paper
    assert SAID in browser.get("/months/2026-04/").content.decode()
    assert DECIDED in browser.get(f"/counts/{sheet.code}/").content.decode()
    (adjustment,) = (
        api_as(in_june.works.manager).get("/api/v1/count-adjustments/").json()["results"]
    )
    assert adjustment["one_person"] == DECIDED
    file = tmp_path / "april.json"
    file.write_bytes(api.get(report).content)
    told = StringIO()
    call_command("verify_statement", str(file), stdout=told)
    assert f"  {of_month}\n  {of_count}\n" in told.getvalue()
    assert list(rows_not_as_sealed()) == []


def test_one_person_approves_a_settlement(
    in_june: SimpleNamespace,
    alone: Act,
    api_as: Callable[[object], APIClient],
    browse_as: Callable[[object], Client],
) -> None:
    works = in_june.works
    set_terms(customer=works.brackwater, content=TERMS, valid_from=APRIL, act=alone)
    settlement = prepare_settlement(lot=in_june.apart, kind="provisional", act=alone)
    approve_settlement(settlement=settlement, act=alone)
    no_longer(alone)
    at = f"/api/v1/settlements/{settlement.code}/"
    api = api_as(works.isolde)
    assert api.get(f"{at}statement/").json()["one_person"] == SAID
    pdf = b"".join(api.get(f"{at}statement/?as=pdf").streaming_content)
    assert SAID in text_of(pdf)
    book = load_workbook(io.BytesIO(b"".join(api.get(f"{at}statement/?as=xlsx").streaming_content)))
    assert SAID in [cell for row in book.worksheets[0].values for cell in row]
    assert api_as(works.operator).get(at).json()["one_person"] == SAID
    for reader in (works.isolde, works.manager):
        page = browse_as(reader).get(f"/settlements/{settlement.code}/")
        assert SAID in page.content.decode()


def test_a_proposal_of_ones_own_is_declined(in_june: SimpleNamespace, alone: Act) -> None:
    works = in_june.works
    month_end = begin_month_end(first_day=APRIL, act=alone)
    sheet = open_count_sheet(month_end=month_end, place=works.places["fine-safe"], act=alone)
    found = Found(weight=Weight(1_992_999_999, 0, works.balance))
    enter_count(sheet=sheet, lot=in_june.crystal, found=found, act=alone)
    propose_adjustments(sheet=sheet, causes={in_june.crystal.code: "spillage"}, act=alone)
    proposal = CountAdjustment.objects.get()
    assert decline_adjustment(adjustment=proposal, act=alone).one_person == DECIDED


def test_two_people_are_two_even_there_and_nothing_is_said(
    in_june: SimpleNamespace, alone: Act, april: Period
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=alone)
    prepare_month(month_end=month_end, act=alone)
    approve_month(month_end=month_end, act=Act(who=in_june.works.accountant))
    assert (month_end.by_one_person, month_statement(april).approval) == (False, ())


def test_once_it_is_no_longer_so_a_second_person_is_needed_again(
    in_june: SimpleNamespace, alone: Act, refused: Make
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=alone)
    prepare_month(month_end=month_end, act=alone)
    no_longer(alone)
    with refused("same_person", "who"):
        approve_month(month_end=month_end, act=alone)


def test_a_month_opened_again_keeps_what_was_said_and_begins_anew(
    in_june: SimpleNamespace, alone: Act, april: Period
) -> None:
    begin_month_end(first_day=APRIL, act=alone)
    month_end = reopen_month(month_end=closed(alone), reason="a late assay", act=alone)
    assert month_end.one_person == ""
    assert MonthReopening.objects.get().one_person == SAID
    prepare_month(month_end=month_end, act=alone)
    approve_month(month_end=month_end, act=Act(who=in_june.works.accountant))
    assert month_statement(april).approval == ()


def test_the_database_itself_takes_no_approval_by_the_same_person_unsaid(
    in_june: SimpleNamespace, alone: Act
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=alone)
    prepare_month(month_end=month_end, act=alone)
    approve_month(month_end=month_end, act=alone)
    for model in (MonthEnd, Settlement, CountAdjustment):
        assert any("by_one_person" in str(each) for each in model._meta.constraints), model
    with pytest.raises(IntegrityError), transaction.atomic():
        MonthEnd.objects.filter(pk=month_end.pk).update(by_one_person=False)
