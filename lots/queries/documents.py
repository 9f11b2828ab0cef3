"""Which documents a person of the works may see, and which are no longer bound to be kept."""

from __future__ import annotations

import datetime as dt

from django.db.models import Q, QuerySet

from lots.models import Document, Person

OFFICE_ROLES = frozenset({Person.Role.ACCOUNTANT.value, Person.Role.MANAGER.value})
# Papers on persons are for those who need them.
_OFFICE_ONLY = Q(party__isnull=False) | Q(kind=Document.Kind.IDENTITY)


def documents_for(role: str | None) -> QuerySet[Document]:
    """All for the office; for others of the works, papers of lots that prove no identity."""
    documents = Document.objects.select_related("lot", "party")
    if role in OFFICE_ROLES:
        return documents
    if role is None or role == Person.Role.CUSTOMER:
        return documents.none()
    return documents.exclude(_OFFICE_ONLY)


def retention_ending(by: dt.date) -> QuerySet[Document]:
    """Documents whose time of keeping ends on or before that day, the first to end first."""
    return (
        Document.objects.filter(retention_until__lte=by)
        .select_related("lot", "party", "added_by")
        .order_by("retention_until", "id")
    )
