"""The page of the backups, and the same through the API."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.test import Client

from lots.keeping.backup_folder import choice, choose_folder

PAGE = "/works/backups/"
API = "/api/v1/works/backups/"


@pytest.fixture
def stick(tmp_path: Path, settings: SimpleNamespace) -> Path:
    settings.DATA_DIR = tmp_path / "data"
    settings.DATA_DIR.mkdir()
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


@pytest.fixture
def browser(works) -> Client:
    client = Client()
    client.force_login(works.manager)
    return client


def test_a_folder_is_chosen_with_the_passphrase_that_is_shown_this_once(browser, stick):
    page = browser.get(PAGE).content.decode()
    (shown,) = re.findall(r'name="passphrase" value="([a-z2-9-]{29})"', page)
    sent = {"folder": str(stick), "encrypted": "on", "passphrase": shown}
    for _ in range(2):  # sent twice it is chosen once
        assert browser.post(PAGE, sent).status_code == 302
        assert (choice().folder, choice().passphrase) == (str(stick), shown)
    page = browser.get(PAGE).content.decode()
    assert str(stick) in page
    assert shown not in page
    assert "No verified backup lies there yet" in page
    kept_as_it_is = {"folder": str(stick), "encrypted": "on", "passphrase": ""}
    assert browser.post(PAGE, kept_as_it_is).status_code == 302
    assert choice().passphrase == shown
    assert browser.post(PAGE, {"folder": str(stick)}).status_code == 302
    assert choice().passphrase == ""


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"folder": "/no/such/folder"}, "There is no folder /no/such/folder"),
        ({"folder": ""}, "This field is required"),
        ({"encrypted": "on", "passphrase": ""}, "Write down and send a passphrase"),
        ({"encrypted": "on", "passphrase": "short"}, "16 characters at least"),
    ],
)
def test_what_can_not_be_is_said_beside_its_field(browser, stick, sent, says):
    answer = browser.post(PAGE, {"folder": str(stick), **sent})
    assert (answer.status_code, says in answer.content.decode()) == (400, True)
    assert choice().folder == ""


def test_programs_choose_it_too_and_are_told_the_passphrase_once(works, api_as, stick):
    client = api_as(works.manager)
    assert client.get(API).json()["last_verified"] is None
    chosen = client.post(API, {"folder": str(stick)})
    assert chosen.status_code == 200
    told = chosen.json()
    assert (told["folder"], told["encrypted"]) == (str(stick), True)
    assert told["passphrase"] == choice().passphrase
    assert client.post(API, {"folder": str(stick)}).json()["passphrase"] is None
    assert client.get(API).json()["passphrase"] is None
    for sent, code, field in (
        ({"folder": "stick"}, "no_such_folder", "folder"),
        ({"folder": str(stick), "passphrase": "short"}, "passphrase_short", "passphrase"),
        ({}, "required", "folder"),
    ):
        refused = client.post(API, sent)
        assert (refused.status_code, refused.json()["code"]) == (400, code)
        assert refused.json()["field"] == field
    assert choice().passphrase == told["passphrase"]
    client.post(API, {"folder": str(stick), "encrypted": False})
    assert choice().passphrase == ""


def test_only_managers_see_or_choose_it(works, api_as, stick):
    client = Client()
    for person in (works.operator, works.accountant):
        client.force_login(person)
        assert client.get(PAGE).status_code == 403
        assert client.post(PAGE, {"folder": str(stick)}).status_code == 403
        assert api_as(person).post(API, {"folder": str(stick)}).status_code == 403
    assert choice().folder == ""


def test_a_folder_that_is_gone_is_said(browser, stick):
    choose_folder(str(stick), passphrase="", by="Ada")
    stick.rmdir()
    assert "is not there" in browser.get(PAGE).content.decode()
