"""In the admin a cell can be edited; what happened in it can only be looked at."""

from __future__ import annotations

import pytest
from django.contrib import admin
from django.contrib.auth import get_user_model
from django.test import Client

from cells.models import Cell, CellRun


@pytest.fixture
def office(db: None) -> Client:
    client = Client()
    client.force_login(get_user_model().objects.create_superuser("office"))
    return client


def test_a_cell_is_edited_and_counts_its_version(bench, office):
    cell = bench.cell
    page = office.get(f"/admin/cells/cell/{cell.pk}/change/")
    assert page.status_code == 200
    form = page.context["adminform"].form
    values = {
        name: "" if form[name].value() is None else form[name].value() for name in form.fields
    }
    answer = office.post(f"/admin/cells/cell/{cell.pk}/change/", values | {"name": "North bowl"})
    assert answer.status_code == 302
    cell.refresh_from_db()
    assert (cell.name, cell.version) == ("North bowl", 2)
    assert office.post(f"/admin/cells/cell/{cell.pk}/delete/").status_code == 403


def test_facts_are_shown_and_not_changed(bench, office):
    run = bench.stopped()
    for model in admin.site._registry:
        if model._meta.app_label == "cells":
            listed = office.get(f"/admin/cells/{model._meta.model_name}/")
            assert listed.status_code == 200, model
    assert office.get(f"/admin/cells/cellrun/{run.pk}/change/").status_code == 200
    answer = office.post(f"/admin/cells/cellrun/{run.pk}/change/", {"state": "closed"})
    assert answer.status_code == 403
    assert office.get("/admin/cells/cellrun/add/").status_code == 403
    assert CellRun.objects.get(pk=run.pk).state == "stopped"
    assert Cell.objects.count() == 1
