"""A photo or a paper is attached to a lot or a party and kept as it was uploaded."""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from pathlib import PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Annotated, Any, Final

from django.conf import settings
from django.core.files.base import File
from django.utils import timezone

from config.refusals import refuse
from lots import clock
from lots.declaration.event import SUBJECT, Asks, Event, Menu, On
from lots.ledger.recording import Act, recorded_once
from lots.local_law import LOCAL_LAW
from lots.models import Document, Lot, Party
from lots.models.lot import document_path
from lots.people.roles import OFFICE
from lots.queries.works_zone import works_zone
from lots.services.lot_register import ON_LOT
from lots.texts import checked_text

if TYPE_CHECKING:
    Uploaded = File[bytes]
else:  # the class takes no parameters while it runs
    Uploaded = File

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
# On a page, whose script makes a photograph smaller before it is sent.
TAKEN: Final = ",".join(dict.fromkeys(TYPE_BY_ENDING.values()))
# What a browser says when it does not know; it claims nothing.
_UNCLAIMED: Final = {"", "application/octet-stream"}
_HEAD_BYTES: Final = 16
NAME_MAX: Final = 120


PaperFile = Annotated[Uploaded, Asks("PDF or picture", offered=TAKEN)]
OfParty = Annotated[Party, None, Asks("Whose paper it is")]
DocumentKind = Annotated[str, Asks("What it is", choices=Document.Kind)]
KeepUntil = Annotated[
    dt.date | None,
    Asks("Keep at least until", "The last day it must be kept, if your law says one."),
]


@dataclass(frozen=True)
class Filing:
    """What a document is, and the last day it must be kept until, if the user's law says one."""

    kind: DocumentKind = Document.Kind.OTHER
    retention_until: KeepUntil = None


@recorded_once
def attach_document(
    *,
    file: File[bytes],
    act: Act,
    lot: Lot | None = None,
    party: Party | None = None,
    name: str = "",
    claimed_type: str = "",
    filing: Filing | None = None,
) -> Document:
    """Attaches a PDF, PNG, JPEG or WebP file to a lot or to a party, stored under its hash.

    The file must be what its name's ending, and `claimed_type` when given, say it is. Raises
    InvalidError `empty_file`, `too_large`, `type_not_allowed`, `not_what_it_claims`, `empty`,
    `too_long`, `not_text`, `unknown_choice`, `retention_passed`; ConflictError `already_attached`.
    """
    assert (lot is None) != (party is None)
    filing = filing or Filing()
    _check_filing(filing, act)
    name = _base_name(name or file.name or "")
    size_bytes = file.size
    _check_size(size_bytes)
    content_type = _type_of(file)
    _check_claims(name, claimed_type, content_type)
    sha256 = _digest(file)
    if Document.objects.filter(lot=lot, party=party, sha256=sha256).exists():
        about = f"lot {lot.code}" if lot else f"{party}"
        raise refuse("already_attached", field="file", value=name, about=about)
    document = Document(
        lot=lot,
        party=party,
        kind=filing.kind,
        retention_until=filing.retention_until,
        name=name,
        content_type=content_type,
        size_bytes=size_bytes,
        sha256=sha256,
        added_at=clock.now(),
        added_by_id=act.who.pk,
    )
    _store(document, file)
    document.save(force_insert=True)
    return document


def attach_to_lot(
    *,
    lot: Lot,
    file: Annotated[Uploaded, Asks("Photo or paper", "PDF, PNG, JPEG or WebP.", offered=TAKEN)],
    filing: Filing,
    act: Act,
    name: Annotated[
        str, Asks("Name", "Leave it empty to keep the file's name.", at_most=NAME_MAX)
    ] = "",
) -> Document:
    """`attach_document` of an upload, which says itself what it is."""
    return attach_document(
        lot=lot, file=file, name=name, claimed_type=_claimed(file), filing=filing, act=act
    )


def attach_to_party(*, party: OfParty, file: PaperFile, filing: Filing, act: Act) -> Document:
    """`attach_document` of an upload, which says itself what it is."""
    return attach_document(
        party=party, file=file, claimed_type=_claimed(file), filing=filing, act=act
    )


def attach_paper(
    *,
    party: OfParty,
    file: PaperFile,
    kind: DocumentKind,
    act: Act,
    retention_until: KeepUntil = None,
) -> Document:
    """`attach_to_party` by somebody who is made to say what the paper is."""
    return attach_to_party(party=party, file=file, filing=Filing(kind, retention_until), act=act)


ATTACH: Final = Event(
    attach_to_lot,
    on=ON_LOT,
    at="documents",
    name="attach",
    about="Attach a PDF, PNG, JPEG or WebP file to a lot.",
    title="Attach a photo or paper",
    button="Attach it",
    done="Attached.",
    flat=("filing",),
    lands=SUBJECT,
    page_at="attach",
    menu=Menu("LOT_ACTIONS", "Attach a photo or paper", 75, hint="PDF or picture"),
)
ATTACH_TO_PARTY: Final = Event(
    attach_to_party,
    on=On(Party, "parties/<str:code>", "party", capitals=False),
    at="documents",
    about="""Attach a paper to a party, such as proof of identity. Only the office sees these.

    Which papers are asked for and how long they are kept is for local law.
    """,
    roles=OFFICE,
    flat=("filing",),
)
ATTACH_PAPER: Final = Event(
    attach_paper,
    at="",
    page_at="papers/attach",
    name="paper-attach",
    about="",
    title="Keep a paper of a party",
    lead=LOCAL_LAW,
    button="Keep it",
    done="The paper is kept. Only the office sees it.",
    roles=OFFICE,
    template="lots/paper_step.html",
    lands="papers",
)


@recorded_once
def file_document(*, document: Document, filing: Filing, act: Act) -> Document:
    """Changes what a document is and until when it is kept.

    Raises InvalidError `unknown_choice`, `retention_passed`.
    """
    _check_filing(filing, act)
    document.kind = filing.kind
    document.retention_until = filing.retention_until
    document.save(update_fields=["kind", "retention_until"])
    return document


FILE: Final = Event(
    file_document,
    on=On(
        Document,
        "documents/<int:pk>",
        "document",
        related=("party", "lot"),
        template="lots/paper_step.html",
    ),
    at="file-as",
    name="paper-file",
    about="Change what a document is and until when it is kept.",
    title="File a paper again",
    lead="Says what it is and until when it is kept. The paper itself is never changed.",
    button="File it so",
    done="Filed again.",
    roles=OFFICE,
    flat=("filing",),
    begins=lambda paper: {"kind": paper.kind, "retention_until": paper.retention_until},
    when="",
    why="",
    lands="papers",
    page_at="/papers/<int:pk>/file",
)


def _claimed(file: Uploaded) -> str:
    return getattr(file, "content_type", None) or ""


def _check_filing(filing: Filing, act: Act) -> None:
    if filing.kind not in Document.Kind.values:
        raise refuse(
            "unknown_choice:documents",
            field="kind",
            value=filing.kind,
            document=", ".join(Document.Kind.values),
        )
    day = timezone.localdate(act.moment, works_zone())
    if filing.retention_until is not None and filing.retention_until < day:
        raise refuse("retention_passed", field="retention_until", value=filing.retention_until)


def _base_name(name: str) -> str:
    """The last part of the name, whichever system's path it came with."""
    return checked_text(
        PureWindowsPath(PurePosixPath(name).name).name, field="name", limit=NAME_MAX, required=True
    )


def _check_size(size_bytes: int) -> None:
    if not size_bytes:
        raise refuse("empty_file", field="file")
    if size_bytes > settings.UPLOAD_BYTES_MAX:
        most = f"{settings.UPLOAD_BYTES_MAX / 1024 / 1024:g} MiB"
        raise refuse("too_large:documents", field="file", value=f"{size_bytes} bytes", most=most)


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
            raise refuse("type_not_allowed", field="file", value=said)
        if meant != content_type:
            raise refuse("not_what_it_claims", field="file", value=said)


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
