"""Which papers attached to lots and parties are not, byte for byte, what was attached."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Final

from lots.models import Document

Row = dict[str, object]
_AT_ONCE: Final = 500


def papers_changed() -> Iterator[Row]:
    """Each document whose file is missing, can't be read, or has another length or SHA-256.

    A file is read a chunk at a time, and once for all documents that share it.
    """
    last_name, last = None, ("", 0)
    documents = Document.objects.select_related("lot", "party").order_by("file", "id")
    for document in documents.iterator(_AT_ONCE):
        name = document.file.name
        if name != last_name:
            last_name, last = name, _read(document)
        found, size_bytes = last
        if found == document.sha256 and size_bytes == document.size_bytes:
            continue
        yield {
            "document_id": document.pk,
            "about": str(document.lot or document.party),
            "name": document.name,
            "file": name,
            "found": found if not size_bytes else f"{size_bytes} bytes, SHA-256 {found}",
        }


def _read(document: Document) -> tuple[str, int]:
    """SHA-256 and length of the file as it is; or what kept it from being read, and nought."""
    digest, size_bytes = hashlib.sha256(), 0
    try:
        with document.file.storage.open(str(document.file.name)) as file:
            for chunk in file.chunks():
                digest.update(chunk)
                size_bytes += len(chunk)
    except FileNotFoundError:
        return "missing", 0
    except OSError as error:
        return f"not readable: {error.strerror}", 0
    return (digest.hexdigest(), size_bytes) if size_bytes else ("empty", 0)
