"""A photo or a paper is attached to a lot and kept as it was uploaded."""

from __future__ import annotations

import hashlib
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any, Final

from django.conf import settings
from django.core.files.base import File

from config.refusals import ConflictError, InvalidError
from lots.models import Document, Lot
from lots.models.lot import document_path
from lots.services.recording import Act, recorded_once
from lots.texts import checked_text

PDF: Final = "application/pdf"
PNG: Final = "image/png"
JPEG: Final = "image/jpeg"
WEBP: Final = "image/webp"
TYPE_BY_ENDING: Final = {
    ".pdf": PDF,
    ".png": PNG,
    ".jpg": JPEG,
    ".jpeg": JPEG,
    ".webp": WEBP,
}
# What a browser says when it does not know; it claims nothing.
_UNCLAIMED: Final = {"", "application/octet-stream"}
_HEAD_BYTES: Final = 16
NAME_MAX: Final = 120


@recorded_once
def attach_document(
    *, lot: Lot, file: File[bytes], act: Act, name: str = "", claimed_type: str = ""
) -> Document:
    """Attaches a PDF, PNG, JPEG or WebP file to a lot, stored under the hash of its content.

    The file must be what its name's ending, and `claimed_type` when given, say it is. Raises
    InvalidError `empty_file`, `too_large`, `type_not_allowed`, `not_what_it_claims`, `empty`,
    `too_long`, `not_text`; ConflictError `already_attached`.
    """
    name = _base_name(name or file.name or "")
    size_bytes = file.size
    _check_size(size_bytes)
    content_type = _type_of(file)
    _check_claims(name, claimed_type, content_type)
    sha256 = _digest(file)
    if Document.objects.filter(lot=lot, sha256=sha256).exists():
        raise ConflictError(
            f"This document is attached to lot {lot.code} already.",
            code="already_attached",
            field="file",
            value=name,
            remedy="Nothing more is needed.",
        )
    document = Document(
        lot=lot,
        name=name,
        content_type=content_type,
        size_bytes=size_bytes,
        sha256=sha256,
        added_by_id=act.who.pk,
    )
    _store(document, file)
    document.save(force_insert=True)
    return document


def _base_name(name: str) -> str:
    """The last part of the name, whichever system's path it came with."""
    return checked_text(
        PureWindowsPath(PurePosixPath(name).name).name, field="name", limit=NAME_MAX, required=True
    )


def _check_size(size_bytes: int) -> None:
    if not size_bytes:
        raise InvalidError(
            "The file is empty.",
            code="empty_file",
            field="file",
            remedy="Choose the file again; scan or photograph it anew if need be.",
        )
    if size_bytes > settings.UPLOAD_BYTES_MAX:
        most = f"{settings.UPLOAD_BYTES_MAX / 1024 / 1024:g} MiB"
        raise InvalidError(
            f"The file is larger than {most}.",
            code="too_large",
            field="file",
            value=f"{size_bytes} bytes",
            remedy=f"Scan or photograph it with fewer pixels, at most {most}.",
        )


def _type_of(file: File[bytes]) -> str:
    """What the first bytes say the file is; empty when it is none of the kinds taken."""
    file.seek(0)
    head = file.read(_HEAD_BYTES)
    file.seek(0)
    if head.startswith(b"%PDF-"):
        return PDF
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if head.startswith(b"\xff\xd8\xff"):
        return JPEG
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return WEBP
    return ""


def _check_claims(name: str, claimed_type: str, content_type: str) -> None:
    ending = PurePosixPath(name).suffix.lower()
    claims = []
    if ending:
        claims.append((name, TYPE_BY_ENDING.get(ending, "")))
    claimed = claimed_type.split(";", maxsplit=1)[0].strip().lower()
    if claimed not in _UNCLAIMED:
        claims.append((claimed, claimed if claimed in TYPE_BY_ENDING.values() else ""))
    if not claims and not content_type:
        claims.append((name, ""))
    for said, meant in claims:
        if not meant:
            raise InvalidError(
                "Files of this kind are not taken.",
                code="type_not_allowed",
                field="file",
                value=said,
                remedy="Attach a PDF, PNG, JPEG or WebP file.",
            )
        if meant != content_type:
            raise InvalidError(
                "The file's content is not what it claims to be.",
                code="not_what_it_claims",
                field="file",
                value=said,
                remedy="Save it as a real PDF, PNG, JPEG or WebP file and attach that.",
            )


def _digest(file: File[bytes]) -> str:
    digest = hashlib.sha256()
    for chunk in file.chunks():
        digest.update(chunk)
    file.seek(0)
    return digest.hexdigest()


def _store(document: Document, file: File[bytes]) -> None:
    """Writes the content once: a file of the same hash is the same file."""
    path = document_path(document, document.name)
    storage: Any = document.file.storage
    document.file.name = path if storage.exists(path) else storage.save(path, file)
