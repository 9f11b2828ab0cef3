"""What a request brings is UTF-8 and of a bounded size, or it is turned away before it is read."""

from __future__ import annotations

import codecs
import encodings
import json
import pkgutil
import zlib
from contextlib import suppress
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.test import Client, RequestFactory

from config.wsgi import application
from lots.models import ApiToken, SignInAttempt

PAGE, API = "/sign-in/", "/api/v1/token/"
SENT = {"username": "operator", "password": "silver-in-the-cell"}
EDGE = "edge-of-a-part"
BOMB = zlib.compress(b'{"username": "' + b"a" * 50_000_000 + b'"}', 9)


def all_codecs() -> set[str]:
    """Every codec this Python knows by the name it gives itself, text or not, but UTF-8."""
    names = {*encodings.aliases.aliases, *encodings.aliases.aliases.values()}
    names |= {module.name for module in pkgutil.iter_modules(encodings.__path__)}
    found = set()
    for name in names:
        with suppress(LookupError):
            found.add(codecs.lookup(name).name)
    return found - {"utf-8"}


def as_parts(fields: dict[str, str]) -> bytes:
    parts = [
        f'--{EDGE}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields.items()
    ]
    return "".join([*parts, f"--{EDGE}--\r\n"]).encode()


KINDS = {
    "application/json": json.dumps(SENT).encode(),
    "application/x-www-form-urlencoded": b"username=operator&password=silver-in-the-cell",
    f"multipart/form-data; boundary={EDGE}": as_parts(SENT),
}


def sent(address: str, kind: str, body: bytes) -> Any:
    return Client().generic("POST", address, body, content_type=kind)


@pytest.mark.parametrize("kind", KINDS, ids=["json", "form", "multipart"])
@pytest.mark.parametrize("address", [PAGE, API])
def test_no_codec_but_utf8_is_ever_used(works: SimpleNamespace, address: str, kind: str) -> None:
    names = all_codecs() | {"bz2_codec", "base64_codec", "latin-1"}
    assert {"bz2", "zlib", "hex", "base64", "rot-13", "uu", "idna", "punycode", "utf-16"} <= names
    client = Client()
    answers = {
        name: client.generic("POST", address, KINDS[kind], content_type=f"{kind}; charset={name}")
        for name in names
    }
    assert {name for name, answer in answers.items() if answer.status_code != 415} == set()
    if address == API:
        told = answers["latin-1"].json()
        assert [told[name] for name in ("code", "field", "value")] == [
            "not_utf8",
            "Content-Type",
            "latin-1",
        ]
        assert set(told) == {"code", "field", "value", "message", "remedy"}
    else:
        assert "UTF-8" in answers["latin-1"].content.decode()
    assert not SignInAttempt.objects.exists()
    assert not ApiToken.objects.exists()


@pytest.mark.parametrize("charset", ["no-such", "", "utf-8-sig", "utf-7", "a\u00e9", "x" * 5000])
@pytest.mark.parametrize("address", [PAGE, API, "/api/v1/lots/", "/no-such-page/?q=1"])
def test_no_other_name_is_looked_up_either(
    works: SimpleNamespace, address: str, charset: str
) -> None:
    for method in ("GET", "POST", "OPTIONS"):
        answer = Client().generic(
            method, address, b"{}", content_type=f"application/json; charset={charset}"
        )
        assert answer.status_code == 415


@pytest.mark.parametrize("said", ["", "; charset=utf-8", "; charset=UTF8", '; charset="Utf-8"'])
def test_utf8_is_taken_however_it_is_said(works: SimpleNamespace, said: str) -> None:
    works.operator.set_password(SENT["password"])
    works.operator.save()
    for kind, status in zip(KINDS, (200, 302, 302), strict=True):
        assert sent(PAGE, f"{kind}{said}", KINDS[kind]).status_code == status, kind
    assert sent(API, f"application/json{said}", KINDS["application/json"]).status_code == 201


def test_a_few_hundred_bytes_do_not_grow(works: SimpleNamespace) -> None:
    assert len(BOMB) < 60_000
    for name in ("zlib", "bz2"):
        assert sent(API, f"application/json; charset={name}", BOMB).status_code == 415


@pytest.mark.parametrize("charset", ["idna''utf-8", "no-such''utf-8", "utf-8''bz2"])
def test_a_charset_written_by_rfc_2231_breaks_nothing(db: None, charset: str) -> None:
    environ = RequestFactory().generic("POST", API, b"{}").environ | {
        "CONTENT_TYPE": f"application/json; charset*={charset}"
    }
    told: list[str] = []
    body = b"".join(application(environ, lambda status, headers: told.append(status)))
    assert told[0].startswith("415")
    assert json.loads(body)["code"] == "not_utf8"


def test_a_part_may_say_what_it_likes_of_its_own_text(works: SimpleNamespace) -> None:
    for charset in ("bz2", "idna", "rot13", "no-such"):
        part = (
            f'--{EDGE}\r\nContent-Disposition: form-data; name="username"; '
            f"filename*={charset}''a.txt\r\nContent-Type: text/plain; charset={charset}\r\n\r\n"
            f"x\r\n--{EDGE}--\r\n"
        )
        answer = sent(PAGE, f"multipart/form-data; boundary={EDGE}", part.encode())
        assert answer.status_code == 200, charset


LONE = [
    '{"\\ud800": 1}',
    '{"username": "\\udfff"}',
    '{"username": "x", "password": "y", "scopes": ["\\uD83D"]}',
    '["\\ud800"]',
    '"\\ud800"',
]


@pytest.mark.parametrize("text", LONE)
def test_half_a_character_is_no_text(works: SimpleNamespace, api: Any, text: str) -> None:
    for client, address in ((Client(), API), (api, "/api/v1/receipts/")):
        answer = client.generic("POST", address, text, content_type="application/json")
        assert (answer.status_code, answer.json()["code"]) == (400, "not_text"), address


def test_a_whole_character_written_in_two_escapes_is_text(works: SimpleNamespace) -> None:
    text = '{"username": "\\ud83d\\ude00 \\\\ud800", "password": "x"}'
    assert sent(API, "application/json", text.encode()).status_code == 401


@pytest.mark.parametrize("kind", KINDS, ids=["json", "form", "multipart"])
def test_eleven_megabytes_are_told_to_be_too_many(works: SimpleNamespace, kind: str) -> None:
    body = b"a" * 11_000_000
    answer = sent(API, kind, body)
    assert (answer.status_code, answer.json()["code"]) == (413, "too_large")
    assert answer.json()["remedy"]
    page = sent(PAGE, kind, body)
    assert page.status_code == 413
    assert "larger than 10 MiB" in page.content.decode()
    assert not SignInAttempt.objects.exists()


def test_a_body_of_no_stated_length_is_not_taken_for_an_empty_one(works: SimpleNamespace) -> None:
    for address in (API, PAGE):
        answer = Client().generic(
            "POST", address, b"", "application/json", HTTP_TRANSFER_ENCODING="chunked"
        )
        assert answer.status_code == 411
    assert Client().get(PAGE).status_code == 200
    assert not SignInAttempt.objects.exists()


def test_a_sign_in_takes_no_more_than_it_needs(works: SimpleNamespace) -> None:
    body = json.dumps({**SENT, "name": "x" * 20_000}).encode()
    answer = sent(API, "application/json", body)
    assert (answer.status_code, answer.json()["code"]) == (413, "too_large")


def test_what_is_turned_away_is_read_to_its_end(works: SimpleNamespace) -> None:
    """A server closes a connection that has unread bytes, and the answer with it."""
    for address, kind in ((API, "text/plain"), ("/no-such-page/", "text/plain")):
        request = RequestFactory().generic("POST", address, b"a" * 300_000, content_type=kind)
        left = request.environ["wsgi.input"]
        list(application(request.environ, lambda status, headers: None))
        assert left.read() == b""


@pytest.mark.parametrize("number", ["1e401", "-1E-401", "1e999999999", "0e-999999999"])
def test_a_number_no_column_could_hold_is_refused(api: Any, number: str) -> None:
    text = f'{{"subject": "weighings", "rows": [{{"gross": {number}}}]}}'
    answer = api.generic("POST", "/api/v1/imports/", text, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (400, "not_a_number")


def test_options_of_the_description_and_its_page(works: SimpleNamespace) -> None:
    root = Client()
    root.force_login(get_user_model().objects.create_superuser("root"))
    for address in ("/api/docs/", "/api/schema/"):
        answer = root.options(address)
        assert answer.status_code == 200
        assert "GET" in answer.headers["Allow"]
        for method in ("POST", "PUT", "DELETE"):
            assert root.generic(method, address).status_code == 405
        assert Client().options(address).status_code in {401, 403}
