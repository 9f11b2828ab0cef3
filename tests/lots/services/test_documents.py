"""Photos and papers on lots. The files' bytes are made here; nothing of them is real."""

from __future__ import annotations

import hashlib

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from lots.models import Document
from lots.services.documents import attach_document

PDF = b"%PDF-1.7\n% a certificate, invented\n%%EOF\n"
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 24
JPEG = b"\xff\xd8\xff\xe0" + b"\x00" * 24
WEBP = b"RIFF\x10\x00\x00\x00WEBPVP8 " + b"\x00" * 8


@pytest.fixture(autouse=True)
def own_media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def stored(folder):
    return [each for each in folder.rglob("*") if each.is_file()]


@pytest.mark.parametrize(
    ("name", "content", "claimed", "kind"),
    [
        ("certificate.pdf", PDF, "application/pdf", "application/pdf"),
        ("photo.png", PNG, "", "image/png"),
        ("photo.JPG", JPEG, "image/jpeg", "image/jpeg"),
        ("photo.jpeg", JPEG, "application/octet-stream", "image/jpeg"),
        ("photo.webp", WEBP, "image/webp; charset=binary", "image/webp"),
        ("photo", PNG, "", "image/png"),
    ],
)
def test_a_document_is_kept_as_uploaded_under_its_hash(
    act, received, tmp_path, name, content, claimed, kind
):
    lot = received(1000)
    document = attach_document(
        lot=lot, file=ContentFile(content, name=name), act=act(1), claimed_type=claimed
    )
    sha256 = hashlib.sha256(content).hexdigest()
    assert (document.name, document.content_type, document.sha256) == (name, kind, sha256)
    assert document.size_bytes == len(content)
    assert document.file.name == f"documents/{sha256[:2]}/{sha256}"
    assert (tmp_path / document.file.name).read_bytes() == content


def test_a_path_in_the_name_stays_outside(act, received, tmp_path):
    lot = received(1000)
    for name in ("../../etc/paper.pdf", "C:\\papers\\paper.pdf"):
        Document.objects.all().delete()
        document = attach_document(lot=lot, file=ContentFile(PDF), name=name, act=act(1))
        assert document.name == "paper.pdf"
    assert len(stored(tmp_path)) == 1


def test_the_same_file_on_two_lots_is_stored_once(act, received, tmp_path):
    first, second = received(1000), received(1000)
    for lot in (first, second):
        attach_document(lot=lot, file=ContentFile(PDF, name="note.pdf"), act=act(1))
    assert Document.objects.count() == 2
    assert len(stored(tmp_path)) == 1
    assert default_storage.exists(Document.objects.first().file.name)


def test_a_repeated_upload_is_recorded_once(act, received):
    lot = received(1000)
    first, second = (
        attach_document(lot=lot, file=ContentFile(PDF, name="note.pdf"), act=act(1, "upload-1"))
        for _ in range(2)
    )
    assert first == second
    assert Document.objects.count() == 1


@pytest.mark.parametrize(
    ("name", "content", "claimed", "code"),
    [
        ("photo.png", b"<html><script>alert(1)</script>", "image/png", "not_what_it_claims"),
        ("photo.png", JPEG, "", "not_what_it_claims"),
        ("photo.png", PNG, "application/pdf", "not_what_it_claims"),
        ("paper.pdf", b"MZ\x90\x00 a program", "application/pdf", "not_what_it_claims"),
        ("sound.webp", b"RIFF\x10\x00\x00\x00WAVEfmt ", "image/webp", "not_what_it_claims"),
        ("page.html", b"<html></html>", "text/html", "type_not_allowed"),
        ("picture.svg", b"<svg/>", "image/svg+xml", "type_not_allowed"),
        ("paper.pdf.exe", PDF, "", "type_not_allowed"),
        ("paper.pdf", PDF, "text/html", "type_not_allowed"),
        ("paper", b"just words", "", "type_not_allowed"),
        ("paper.pdf", b"", "application/pdf", "empty_file"),
    ],
)
def test_a_file_that_is_not_what_it_claims_is_refused(
    act, received, refused, tmp_path, name, content, claimed, code
):
    lot = received(1000)
    with refused(code, "file"):
        attach_document(
            lot=lot, file=ContentFile(content, name=name), act=act(1), claimed_type=claimed
        )
    assert stored(tmp_path) == []


def test_a_file_above_the_limit_is_refused(act, received, refused, settings, tmp_path):
    settings.UPLOAD_BYTES_MAX = len(PDF) - 1
    lot = received(1000)
    with refused("too_large", "file"):
        attach_document(lot=lot, file=ContentFile(PDF, name="paper.pdf"), act=act(1))
    assert stored(tmp_path) == []


@pytest.mark.parametrize(
    ("name", "code"),
    [("x" * 117 + ".pdf", "too_long"), ("", "empty"), ("a\x00b.pdf", "not_text")],
)
def test_a_name_that_cannot_be_kept_is_refused(act, received, refused, name, code):
    lot = received(1000)
    with refused(code, "name"):
        attach_document(lot=lot, file=ContentFile(PDF), name=name, act=act(1))


def test_the_same_document_is_attached_only_once(act, received, refused):
    lot = received(1000)
    attach_document(lot=lot, file=ContentFile(PDF, name="paper.pdf"), act=act(1))
    with refused("already_attached", "file"):
        attach_document(lot=lot, file=ContentFile(PDF, name="other.pdf"), act=act(2))
