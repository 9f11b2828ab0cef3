"""Refusals find their field on a form, and say what is wrong, what was given, what to do."""

from __future__ import annotations

import pytest
from django import forms
from django.db import DatabaseError, OperationalError
from django.test import Client

from config.pages import form_field_of, message_of, put_refusal, refusal_of
from config.refusals import ConflictError, InvalidError

NAMES = ("gross", "tare", "weight_tare", "inputs", "declared", "results", "occurred_at")


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("weight.gross", "gross"),
        ("output.weight.gross", "gross"),
        ("output.weight.tare", "weight_tare"),
        ("inputs.0.mass", "inputs"),
        ("declared.Ag", "declared"),
        ("output.assay.results.Ag.standard_uncertainty", "results"),
        ("occurred_at", "occurred_at"),
        ("batch", None),
        (None, None),
        ("", None),
    ],
)
def test_refused_field_is_found_on_the_form(path, name) -> None:
    assert form_field_of(path, NAMES) == name


def test_message_says_what_was_given_and_what_to_do() -> None:
    refusal = InvalidError("Not a mass.", code="x", field="gross", value="1e3", remedy="Write it.")
    assert message_of(refusal) == "Not a mass. Given: 1e3. Write it."


def test_refusal_without_a_field_stands_above_the_form() -> None:
    class Weigh(forms.Form):
        gross = forms.CharField()

    form = Weigh({"gross": "1 g"})
    assert form.is_valid()
    put_refusal(form, ConflictError("Closed.", code="batch_closed", field="batch", value="B-1"))
    assert form.non_field_errors() == ["Closed. Given: B-1."]


def test_form_may_name_its_field_otherwise() -> None:
    class Receive(forms.Form):
        declared = forms.CharField()
        asked_as = {"fineness": "declared"}

    form = Receive({"declared": "1"})
    assert form.is_valid()
    put_refusal(form, InvalidError("Too fine.", code="x", field="fineness.Ag", value="1001"))
    assert form.has_error("declared", "x")


def test_busy_ledger_and_guard_are_told_and_our_own_mistakes_are_not() -> None:
    assert refusal_of(OperationalError("database is locked")).code == "busy"
    assert refusal_of(DatabaseError("closed month")).code == "month_closed"
    assert refusal_of(DatabaseError("no such column")) is None
    assert refusal_of(KeyError("x")) is None


def test_a_form_sent_without_its_token_says_what_to_do(works: object) -> None:
    answer = Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "operator"})
    assert answer.status_code == 403
    assert "Nothing was recorded" in answer.content.decode()
