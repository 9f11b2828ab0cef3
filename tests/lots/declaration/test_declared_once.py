"""What an event asks is declared once: API and page are made from it and agree in every limit."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django import forms
from django.urls import get_resolver
from rest_framework import serializers

from cells.pages.overrides import OVERRIDES as CELLS
from lots.api.commands import CommandView
from lots.declaration.as_api import EventView, request_of
from lots.declaration.as_page import EventForm, EventPage
from lots.declaration.event import Event, events_of
from lots.pages.overrides import OVERRIDES as LOTS
from lots.pages.steps import BenchStep
from reports.pages.overrides import OVERRIDES as REPORTS

ROOT = Path(__file__).resolve().parents[3]
APPS = ("lots", "cells", "reports")
OVERRIDES = LOTS | CELLS | REPORTS
OVERRIDES_MAX = 12
# What records something and is no event, each with its reason.
OTHER_VIEWS = {
    "RevokeToken": "a key is found among those one may see",
}
OTHER_PAGES = {
    "Deliver": "its page shows what is owed, which the app of its event knows nothing of",
    "EditParty": "made from the details that the API is made from",
    "EditPlace": "made from the details that the API is made from",
    "EditBalance": "made from the details that the API is made from",
    "EditCell": "made from the details that the API is made from",
}
# Where a field of a form may be written out, and for what.
HAND_MADE = {
    "lots/pages/overrides.py": "the overrides",
    "lots/pages/impurities.py": "the override of impurities",
    "lots/pages/bar_form.py": "the override of list-bar",
    "lots/pages/edit_form.py": "the version that was seen, beside the details",
    "lots/pages/set_up.py": "the first page, before anybody can sign in",
    "lots/sheets/api.py": "a whole sheet, whose columns are the events' own questions",
    "lots/sheets/forms.py": "how a sheet is laid out, which is not recorded",
    "reports/pages/overrides.py": "the overrides",
    "reports/pages/terms_form.py": "the override of terms-write",
    "reports/pages/delivery_form.py": "the page of Deliver",
    "reports/pages/what_if.py": "a question, of which nothing is recorded",
}
# Overrides that ask by a form of their own, not by the event's with something more.
OWN_FORMS = {"list-bar", "terms-write"}
# The parts that all forms and requests are made of.
MAKERS = ("lots/declaration/", "lots/api/fields.py", "lots/api/commands.py")
RECORDING = {"ActForm", "EventForm", "EditForm", "ActSerializer"}
LIMITS = ("max_length", "min_value", "max_value")


def events() -> list[Event]:
    return [event for app in APPS for event in events_of(app)]


def views(patterns: Any) -> Iterator[type[Any]]:
    for each in patterns:
        if hasattr(each, "url_patterns"):
            yield from views(each.url_patterns)
            continue
        made = each.callback
        view = getattr(made, "view_class", None) or getattr(made, "cls", None)
        if view is not None:
            yield view


def test_what_records_something_is_an_event_or_is_listed() -> None:
    every = set(views(get_resolver().url_patterns))
    commands = {each for each in every if issubclass(each, CommandView)}
    steps = {each for each in every if issubclass(each, BenchStep)}
    assert len(commands) > 80
    assert {each.__name__ for each in commands if not issubclass(each, EventView)} == set(
        OTHER_VIEWS
    )
    assert {each.__name__ for each in steps if not issubclass(each, EventPage)} == set(OTHER_PAGES)


def test_overrides_are_few_and_each_is_of_an_event_with_a_page() -> None:
    assert len(set(OVERRIDES.values())) <= OVERRIDES_MAX
    assert set(OVERRIDES) <= {event.name for event in events() if event.title}


def test_no_other_form_or_request_writes_out_a_field() -> None:
    found = {
        path
        for app in APPS
        for source in (ROOT / app).rglob("*.py")
        if not (path := source.relative_to(ROOT).as_posix()).startswith(MAKERS)
        if _writes_out_fields(ast.parse(source.read_text()))
    }
    assert found == set(HAND_MADE)


def _writes_out_fields(tree: ast.Module) -> bool:
    """Whether the class body of a recording form, or any form's `fields[...]`, is given a field."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            bases = {getattr(base, "id", getattr(base, "attr", "")) for base in node.bases}
            if bases & RECORDING and any(_is_field(each) for each in node.body):
                return True
        elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Subscript):
            held = node.targets[0].value
            if isinstance(held, ast.Attribute) and held.attr == "fields" and _is_field(node):
                return True
    return False


def _is_field(node: ast.stmt) -> bool:
    if not isinstance(node, ast.Assign) or not isinstance(node.value, ast.Call):
        return False
    made = node.value.func
    name = made.attr if isinstance(made, ast.Attribute) else getattr(made, "id", "")
    return name.endswith(("Field", "_field"))


def asked_by_engine() -> list[Event]:
    return [event for event in events() if event.title and event.name not in OWN_FORMS]


@pytest.mark.django_db
@pytest.mark.parametrize("event", asked_by_engine(), ids=lambda event: event.name)
def test_a_page_asks_with_the_limits_and_choices_of_the_api(event: Event) -> None:
    form, request = EventForm(event=event), request_of(event)().fields
    for path, name in form.asked.items():
        theirs: Any = request
        for part in path.split("."):
            theirs = getattr(theirs, "fields", theirs)[part]
        _check_agree(form.fields[name], theirs)


def _check_agree(ours: forms.Field, theirs: serializers.Field[Any, Any, Any, Any]) -> None:
    for limit in LIMITS:
        if getattr(theirs, limit, None) is not None and hasattr(ours, limit):
            assert getattr(ours, limit) == getattr(theirs, limit), limit
    if isinstance(ours, forms.ChoiceField) and not isinstance(ours, forms.ModelChoiceField):
        offered = {value for value, _ in ours.choices if value}  # type: ignore[misc]
        assert offered <= set(theirs.choices)  # type: ignore[attr-defined]
    if ours.help_text:
        assert str(ours.help_text) in str(theirs.help_text)
