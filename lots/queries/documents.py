"""Which documents a person of the works may see, and which are no longer bound to be kept."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field

from django.db.models import Count, Q, QuerySet, TextChoices

from lots.models import Document, Party, Person

# How long before its time of keeping ends a paper is said to be near it.
DAYS_AHEAD = 30
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


class Keeping(TextChoices):
    """Where a paper stands in its time of keeping."""

    OVER = "over", "Over: it no longer has to be kept"
    ENDING = "ending", "Ends soon"
    RUNNING = "running", "Running"
    OPEN = "open", "No day said"

    def limit(self, today: dt.date, by: dt.date) -> Q:
        """The papers that stand so: kept until the end of their day, `by` being soon."""
        return {
            Keeping.OVER: Q(retention_until__lt=today),
            Keeping.ENDING: Q(retention_until__gte=today, retention_until__lte=by),
            Keeping.RUNNING: Q(retention_until__gt=by),
            Keeping.OPEN: Q(retention_until=None),
        }[self]


def keeping_of(document: Document, today: dt.date, by: dt.date) -> Keeping:
    """Where one paper stands."""
    until = document.retention_until
    if until is None:
        return Keeping.OPEN
    if until < today:
        return Keeping.OVER
    return Keeping.ENDING if until <= by else Keeping.RUNNING


def keeping_counts(today: dt.date, by: dt.date) -> list[tuple[Keeping, int]]:
    """How many papers stand where, in one query."""
    counts = Document.objects.aggregate(
        **{each.value: Count("pk", filter=each.limit(today, by)) for each in Keeping}
    )
    return [(each, counts[each.value]) for each in Keeping]


# What a party's file is looked at for; which of them are asked for is the user's law.
ON_FILE = (Document.Kind.IDENTITY, Document.Kind.SOURCE_DECLARATION, Document.Kind.CONTRACT)


@dataclass(frozen=True)
class PartyFile:
    """What is kept of a party, and of the lots it sent, by kind of paper."""

    party: Party
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def kinds(self) -> list[tuple[str, str, int]]:
        """Kind, its name, and how many papers of it."""
        return [(kind.value, str(kind.label), self.counts.get(kind, 0)) for kind in ON_FILE]


def papers_by_party() -> list[PartyFile]:
    """Customers and suppliers by name with what is on file; papers of their lots count too."""
    found: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for path in ("party", "lot__received_from"):
        rows = (
            Document.objects.filter(**{f"{path}__isnull": False})
            .order_by()
            .values_list(path, "kind")
            .annotate(papers=Count("pk"))
        )
        for party, kind, papers in rows:
            found[party][kind] += papers
    parties = Party.objects.filter(kind__in=(Party.Kind.CUSTOMER, Party.Kind.SUPPLIER))
    return [PartyFile(each, dict(found[each.pk])) for each in parties.order_by("name")]
