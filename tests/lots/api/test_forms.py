"""The API takes JSON, and beside a file the fields that JSON would have; a form is turned away."""

from __future__ import annotations

import json
import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from config.api_description import described
from lots.models import Document, Movement, Party, SheetImport
from lots.people.tokens import make_token
from tests.builders import receive

FORM = "application/x-www-form-urlencoded"
WITH_FILES = {
    "/api/v1/count-sheets/{code}/upload/": ["multipart/form-data"],
    "/api/v1/imports/": ["application/json", "multipart/form-data"],
    "/api/v1/lots/{code}/documents/": ["multipart/form-data"],
    "/api/v1/parties/{code}/documents/": ["multipart/form-data"],
}


def writes():
    """Each address that takes a body, with its method and the kinds that it says it takes."""
    for path, operations in described()["paths"].items():
        for method, operation in operations.items():
            if "requestBody" in operation:
                yield path, method, sorted(operation["requestBody"]["content"])


def test_the_description_names_json_and_multipart_only_beside_a_file():
    kinds = {(path, method): kinds for path, method, kinds in writes()}
    assert len(kinds) > 90
    assert {
        path: found for (path, _), found in kinds.items() if found != ["application/json"]
    } == WITH_FILES


def test_no_address_takes_a_form(api_as, works):
    office = api_as(works.manager)
    answers = {}
    for path, method, kinds in writes():
        address = re.sub(r"\{\w+\}", "1", path)
        for kind in (FORM, "multipart/form-data; boundary=x", "text/plain"):
            if kind.split(";")[0] in kinds:
                continue
            answer = office.generic(method.upper(), address, "code=x&name=y", content_type=kind)
            answers[address, kind] = answer.status_code
            if answer.status_code == 415:
                told = answer.json()
                assert told["code"] == "unsupported_media_type"
                assert told["field"] == "Content-Type"
                assert told["value"] == kind
                assert all(each in told["remedy"] for each in kinds)
    # What is edited is looked for first; nothing else is answered otherwise.
    odd = {address.split("/")[3] for (address, _), status in answers.items() if status != 415}
    assert odd == {"balances", "cells", "parties", "places"}
    assert not Movement.objects.exists()


@pytest.mark.parametrize("kind", [FORM, "multipart/form-data"])
def test_a_form_makes_no_party_that_json_would_make_otherwise(api_as, works, kind):
    office = api_as(works.manager)
    facts = {"code": "saltmarsh", "name": "Saltmarsh", "kind": "customer"}
    known = Party.objects.count()
    edit = {"HTTP_IF_MATCH": '"1"'}
    if kind == FORM:
        made = office.generic("POST", "/api/v1/parties/", "code=saltmarsh", content_type=FORM)
        edited = office.generic(
            "PATCH", "/api/v1/parties/brackwater/", "name=x", content_type=FORM, **edit
        )
    else:
        made = office.post("/api/v1/parties/", facts, format="multipart")
        edited = office.patch("/api/v1/parties/brackwater/", facts, format="multipart", **edit)
    assert (made.status_code, edited.status_code) == (415, 415)
    assert Party.objects.count() == known
    assert office.post("/api/v1/parties/", facts).status_code == 201
    assert Party.objects.get(code="saltmarsh").is_active


def test_an_empty_body_says_nothing_whatever_kind_it_says_it_is(api):
    """A form would say that what it leaves out is not so: neither rinsed clear nor dry."""
    told = {
        api.generic("POST", "/api/v1/runs/1/harvest/", "", content_type=kind).content
        for kind in ("application/json", FORM, "multipart/form-data; boundary=x", "")
    }
    assert len(told) == 1
    problems = json.loads(told.pop())["problems"]
    assert {"chloride_clear", "dry"} <= {each["field"] for each in problems}


def signed_in_both_ways(user):
    """A browser whose forms are checked, and a program: what they send is read at two places."""
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(user)
    browser.get("/tokens/")
    _, key = make_token(user=user, name="x", scopes=["record", "read"], days=1, created_by=user)
    yield browser, {"HTTP_X_CSRFTOKEN": browser.cookies["csrftoken"].value}
    yield Client(), {"HTTP_AUTHORIZATION": f"Bearer {key}"}


def test_what_a_file_comes_with_means_what_it_means_in_json(works, act, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    lot = receive(works, act())
    address = f"/api/v1/lots/{lot.code}/documents/"
    for client, header in signed_in_both_ways(works.operator):
        known = Document.objects.count()
        paper = f"%PDF-1.7 {known}".encode()

        def sent(paper=paper, client=client, header=header, **fields):
            file = SimpleUploadedFile("a.pdf", paper, "application/pdf")
            return client.post(address, {"file": file, **fields}, **header)

        # In JSON an empty text is no day; so it is here.
        blank = sent(retention_until="")
        assert (blank.status_code, blank.json()["field"]) == (400, "retention_until")
        assert sent(kind="").status_code == 400
        assert sent(knd="other").json()["code"] == "unknown_field"
        assert Document.objects.count() == known
        assert sent().status_code == 201
        made = Document.objects.latest("pk")
        assert (made.kind, made.retention_until) == ("other", None)


def test_an_imported_file_is_told_of_as_json_would(works):
    sheet = b"party,gross,place,balance\nbrackwater,100 g,feed-shelf,bench\n"
    for client, header in signed_in_both_ways(works.operator):
        facts = {"subject": "receipts", "file": SimpleUploadedFile("a.csv", sheet)}
        blank = client.post("/api/v1/imports/", {**facts, "dry_run": ""}, **header)
        assert (blank.status_code, blank.json()["field"]) == (400, "dry_run")
        for columns in ('{"gross": {"value": "\\ud800"}}', "[" * 100_000, "{"):
            facts["file"].seek(0)
            odd = client.post("/api/v1/imports/", {**facts, "columns": columns}, **header)
            assert odd.status_code == 400
    assert not SheetImport.objects.exists()
