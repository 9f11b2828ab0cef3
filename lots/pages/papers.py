"""Papers as the user's law asks for them: of whom, of what kind, and until when they are kept."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Final

import django_filters as filters
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from lots import clock
from lots.local_law import LOCAL_LAW
from lots.models import Document, Party
from lots.pages.lists import show_list
from lots.people.access import office_page
from lots.queries.documents import DAYS_AHEAD, Keeping, keeping_counts, keeping_of, papers_by_party
from lots.queries.works_zone import works_zone

KEEPING_CSS: Final = {Keeping.OVER: "bad", Keeping.ENDING: "mind"}


def _today() -> dt.date:
    return timezone.localdate(clock.now(), works_zone())


class PaperFilter(filters.FilterSet):
    kind = filters.ChoiceFilter(choices=Document.Kind.choices, label="What it is")
    about = filters.ChoiceFilter(
        choices=(("party", "A party"), ("lot", "A lot")), method="on_what", label="About"
    )
    party = filters.ModelChoiceFilter(
        queryset=Party.objects.order_by("name"),
        to_field_name="code",
        method="of_party",
        label="Party, or who a lot came from",
    )
    keeping = filters.ChoiceFilter(choices=Keeping.choices, method="kept", label="Time of keeping")
    name = filters.CharFilter(lookup_expr="icontains", label="Words of its name")

    class Meta:
        model = Document
        fields: list[str] = []

    def on_what(self, papers: QuerySet[Document], name: str, value: str) -> QuerySet[Document]:
        return papers.filter(**{f"{value}__isnull": False})

    def of_party(self, papers: QuerySet[Document], name: str, value: Party) -> QuerySet[Document]:
        return papers.filter(Q(party=value) | Q(lot__received_from=value))

    def kept(self, papers: QuerySet[Document], name: str, value: str) -> QuerySet[Document]:
        today = _today()
        return papers.filter(Keeping(value).limit(today, today + dt.timedelta(days=DAYS_AHEAD)))


@office_page
def papers_page(request: HttpRequest) -> HttpResponse:
    """Every paper with its time of keeping, and which party has which kind on file."""
    today = _today()
    by = today + dt.timedelta(days=DAYS_AHEAD)
    papers = Document.objects.select_related("party", "lot__received_from", "added_by").order_by(
        "-id"
    )

    def told(page: Sequence[Document]) -> list[tuple[Document, Keeping, str]]:
        found = [(each, keeping_of(each, today, by)) for each in page]
        return [(each, keeping, KEEPING_CSS.get(keeping, "")) for each, keeping in found]

    return show_list(
        request,
        "lots/papers.html",
        PaperFilter,
        papers,
        section="bench",
        first="kind about party keeping name",
        told=told,
        more=lambda _chosen, _page: {
            "by": by,
            "folded": not request.GET,
            "counts": keeping_counts(today, by),
            "parties": papers_by_party(),
            "local_law": LOCAL_LAW,
        },
    )
