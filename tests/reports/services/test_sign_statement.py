"""A closed month is signed, the signature travels with it, and what was changed is told."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from types import SimpleNamespace

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from openpyxl import load_workbook
from rest_framework.test import APIClient

from config.refusals import ConflictError, InvalidError
from lots import clock
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import BooksMonth, Movement
from reports.conventions import SIGN_CONVENTION
from reports.exports.signature import UNSIGNED
from reports.models import MonthEnd, StatementSignature
from reports.queries.month.signed_file import GivenStatement
from reports.services.approvals import approve_month
from reports.services.month_end import begin_month_end, close_month, prepare_month, reopen_month
from reports.services.sign_statement import sign_statement
from reports.services.signing_key import listed_keys, private_key
from reports.signatures import fingerprint_of, holds, public_key_of, sign
from tests.databases import unguarded
from tests.pdf_text import text_of
from tests.reports.conftest import APRIL

pytestmark = pytest.mark.django_db
MARCH = APRIL.replace(month=3)


@pytest.fixture
def key(settings: SimpleNamespace, tmp_path: Path) -> Path:
    settings.SIGNING_KEY_FILE = tmp_path / "keys" / "signing.key"
    call_command("make_signing_key", stdout=StringIO())
    return settings.SIGNING_KEY_FILE


@pytest.fixture(autouse=True)
def no_key_of_the_machine(settings: SimpleNamespace, tmp_path: Path) -> None:
    settings.SIGNING_KEY_FILE = tmp_path / "keys" / "signing.key"


def close(spring: SimpleNamespace) -> MonthEnd:
    """March and April, closed by two people."""
    works = spring.works
    for first_day in (MARCH, APRIL):
        month_end = begin_month_end(first_day=first_day, act=Act(who=works.accountant))
        prepare_month(month_end=month_end, act=Act(who=works.accountant))
        approve_month(month_end=month_end, act=Act(who=works.manager))
        close_month(month_end=month_end, act=Act(who=works.manager))
    return month_end


@pytest.fixture
def closed(key: Path, in_june: SimpleNamespace) -> MonthEnd:
    return close(in_june)


def verify(path: Path, **options: object) -> str:
    out = StringIO()
    call_command("verify_statement", path, stdout=out, **options)
    return out.getvalue()


@pytest.fixture
def workbook(closed: MonthEnd, tmp_path: Path) -> Path:
    path = tmp_path / "april.xlsx"
    call_command("month_end", "2026-04", xlsx=path, stdout=StringIO())
    return path


def test_rfc_8032_test_2_signs_as_published() -> None:
    # RFC 8032, section 7.1, TEST 2: secret key, public key and the signature of one byte, 0x72.
    secret = bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    public = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    signature = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    assert public_key_of(secret) == public
    assert sign(secret, "r") == signature
    assert holds(public, "r", signature)
    assert not holds(public, "s", signature)
    groups = fingerprint_of(public).split(" ")
    assert [len(group) for group in groups] == [4] * 8
    assert "".join(groups) == hashlib.sha256(bytes.fromhex(public)).hexdigest()[:32]


def test_the_key_is_private_and_never_replaced_by_mistake(key: Path) -> None:
    assert key.stat().st_mode & 0o777 == 0o600
    before = key.read_text()
    with pytest.raises(CommandError, match="There is a signing key already"):
        call_command("make_signing_key")
    assert key.read_text() == before
    (listed,) = json.loads(key.with_name("signing_keys.json").read_text())
    assert listed["public_key"] == public_key_of(bytes.fromhex(before))
    assert listed["until"] == ""
    assert before.strip() not in key.with_name("signing_keys.json").read_text()


def test_a_closed_month_is_signed_in_its_workbook_and_verified_offline(
    workbook: Path, key: Path, django_assert_num_queries: Callable[..., object]
) -> None:
    with django_assert_num_queries(0):
        told = verify(workbook)
    silver = StatementSignature.objects.latest("id").content
    assert json.loads(silver)["month"] == "2026-04"
    assert "Signed by Tern Quay Refining" in told
    assert "Ag  opening 2000.000000" in told
    row = StatementSignature.objects.latest("id")
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(row.public_key)).verify(
        bytes.fromhex(row.signature), row.content.encode()
    )


def test_the_signature_is_in_the_json_and_on_the_page(
    closed: MonthEnd,
    api_as: Callable[[object], APIClient],
    browse_as: Callable[[object], object],
    in_june: SimpleNamespace,
    tmp_path: Path,
) -> None:
    manager = in_june.works.manager
    answer = api_as(manager).get("/api/v1/reports/months/2026-04/")
    path = tmp_path / "april.json"
    path.write_bytes(answer.content)
    assert "Month 2026-04" in verify(path, ledger=True)
    page = browse_as(manager).get("/months/2026-04/").content.decode()
    assert answer.json()["signed"]["fingerprint"] in page


@pytest.fixture
def pdf(
    closed: MonthEnd,
    browse_as: Callable[[object], Client],
    in_june: SimpleNamespace,
    tmp_path: Path,
) -> Path:
    path = tmp_path / "april.pdf"
    answer = browse_as(in_june.works.manager).get("/months/2026-04/paper/")
    path.write_bytes(answer.content)
    return path


def test_the_pdf_tells_who_closed_the_month_and_verifies(
    pdf: Path, closed: MonthEnd, api_as: Callable[[object], APIClient], in_june: SimpleNamespace
) -> None:
    text = text_of(pdf.read_bytes())
    signature = StatementSignature.objects.latest("id")
    assert "Silver (Ag) g ozt Opening book 2,000.000000 64.301493" in text
    for each in (
        closed.statement_digest,
        signature.signature,
        fingerprint_of(signature.public_key),
    ):
        assert each in text.replace(" ", "") or each in text
    assert re.search(rf"Prepared \S+ \S+ by {in_june.works.accountant.username}\b", text)
    assert SIGN_CONVENTION in text
    assert "Month 2026-04" in verify(pdf, ledger=True)
    answer = api_as(in_june.works.manager).get("/api/v1/reports/months/2026-04/?as=pdf")
    assert answer["Content-Type"] == "application/pdf"
    pdf.write_bytes(b"".join(answer.streaming_content))
    assert "Month 2026-04" in verify(pdf)


def test_one_figure_changed_in_what_the_pdf_carries_is_told(pdf: Path) -> None:
    content = pdf.read_bytes()
    assert content.count(b"2000000000") == 1
    pdf.write_bytes(content.replace(b"2000000000", b"2000000001"))
    with pytest.raises(CommandError, match="does not hold"):
        verify(pdf)


def test_a_pdf_of_a_month_not_signed_says_so(
    in_june: SimpleNamespace, browse_as: Callable[[object], Client], tmp_path: Path
) -> None:
    path = tmp_path / "may.pdf"
    path.write_bytes(browse_as(in_june.works.manager).get("/months/2026-05/paper/").content)
    assert UNSIGNED in text_of(path.read_bytes())
    with pytest.raises(CommandError, match="is not signed"):
        verify(path)


def test_one_character_changed_is_told(workbook: Path, tmp_path: Path) -> None:
    book = load_workbook(workbook)
    for row in book["Signature"].iter_rows():
        if row[0].value == "Content":
            row[1].value = row[1].value.replace('"Ag"', '"Au"', 1)
    book.save(tmp_path / "other.xlsx")
    with pytest.raises(CommandError, match="does not hold"):
        verify(tmp_path / "other.xlsx")


def test_a_signature_by_another_key_is_told(workbook: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    other.write_text("[]")
    with pytest.raises(CommandError, match="none of the works' listed keys"):
        verify(workbook, keys=other)


def test_statements_of_a_replaced_key_still_verify(workbook: Path, key: Path) -> None:
    old = key.read_text()
    call_command("make_signing_key", replace=True, stdout=StringIO())
    assert key.read_text() != old
    assert " until " in verify(workbook)


def test_a_key_ends_when_it_is_replaced_and_not_again(key: Path) -> None:
    days = [clock.now() + dt.timedelta(days=day) for day in (1, 2)]
    for day in days:
        with clock.at(day):
            call_command("make_signing_key", replace=True, stdout=StringIO())
    listed = json.loads(key.with_name("signing_keys.json").read_text())
    assert [each["until"] for each in listed] == [*(day.isoformat() for day in days), ""]


def test_without_a_key_the_statement_says_so_and_can_be_signed_later(
    in_june: SimpleNamespace, tmp_path: Path
) -> None:
    close(in_june)
    assert not StatementSignature.objects.exists()
    path = tmp_path / "unsigned.xlsx"
    call_command("month_end", "2026-04", xlsx=path, stdout=StringIO())
    with pytest.raises(CommandError, match="is not signed"):
        verify(path)
    with pytest.raises(CommandError, match="make_signing_key"):
        call_command("sign_statement", "2026-04", "manager")
    call_command("make_signing_key", stdout=StringIO())
    call_command("sign_statement", "2026-04", "manager", stdout=StringIO())
    path.unlink()
    call_command("month_end", "2026-04", xlsx=path, stdout=StringIO())
    assert "Month 2026-04" in verify(path, ledger=True)


def test_a_key_that_others_can_read_signs_nothing(key: Path, in_june: SimpleNamespace) -> None:
    key.chmod(0o644)
    with pytest.raises(Exception, match="can be read by others"):
        close(in_june)
    assert not BooksMonth.objects.filter(state="closed").exists()


@pytest.mark.parametrize("text", ["", "not hex", "ab" * 31])
def test_a_key_that_is_broken_signs_nothing(key: Path, db: None, text: str) -> None:
    key.write_text(text)
    with pytest.raises(ConflictError) as caught:
        private_key()
    assert (caught.value.code, caught.value.field) == ("signing_key_broken", "signing_key")


def test_a_list_of_keys_that_is_none_is_refused(tmp_path: Path) -> None:
    for text in ("no json", '[{"key": 1}]', "5"):
        path = tmp_path / "keys.json"
        path.write_text(text)
        with pytest.raises(InvalidError) as caught:
            listed_keys(path)
        assert (caught.value.code, caught.value.field) == ("not_readable", "keys")


def test_only_a_closed_month_is_signed(key: Path, in_june: SimpleNamespace) -> None:
    month_end = begin_month_end(first_day=MARCH, act=Act(who=in_june.works.accountant))
    with pytest.raises(ConflictError) as caught:
        sign_statement(month_end=month_end, act=Act(who=in_june.works.manager))
    assert (caught.value.code, caught.value.field) == ("not_closed", "month")
    assert not StatementSignature.objects.exists()


def test_a_signed_text_that_is_no_object_has_no_figures() -> None:
    for text in ("no json", "[1]"):
        assert GivenStatement(text, "", "").figures() == {}


def test_a_month_opened_again_is_no_longer_signed(
    closed: MonthEnd, in_june: SimpleNamespace, workbook: Path, tmp_path: Path
) -> None:
    reopen_month(month_end=closed, reason="a slip was found", act=Act(who=in_june.works.accountant))
    again = tmp_path / "again.xlsx"
    call_command("month_end", "2026-04", xlsx=again, stdout=StringIO())
    with pytest.raises(CommandError, match="is not signed"):
        verify(again)
    assert "Month 2026-04" in verify(workbook)


def test_a_rewritten_ledger_is_told_by_a_statement_kept_elsewhere(workbook: Path) -> None:
    last = Movement.objects.latest("sequence")
    with unguarded(connection), connection.cursor() as cursor:
        cursor.execute("UPDATE lots_movement SET digest = %s WHERE id = %s", ["f" * 64, last.pk])
    with pytest.raises(CommandError, match="has been rewritten since"):
        verify(workbook, ledger=True)
    assert "signed-statements" in {result.check.name for result in run_checks() if result.found}
