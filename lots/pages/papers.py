"""Papers as the user's law asks for them: of whom, of what kind, and until when they are kept."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

import django_filters as filters
from django import forms
from django.db.models import Model, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from lots import clock
from lots.ledger.recording import Act
from lots.local_law import LOCAL_LAW
from lots.models import Document, Party
from lots.pages.bench_form import ActForm, choice_field, party_field
from lots.pages.lists import filtered, paged_address
from lots.pages.steps import BenchStep
from lots.people.access import office_page
from lots.people.roles import OFFICE
from lots.queries.documents import DAYS_AHEAD, Keeping, keeping_counts, keeping_of, papers_by_party
from lots.queries.works_zone import works_zone
from lots.services.documents import Filing, attach_document, file_document

KEEPING_CSS: Final = {Keeping.OVER: "bad", Keeping.ENDING: "mind"}


def _today() -> dt.date:
    return timezone.localdate(clock.now(), works_zone())


def _until() -> forms.DateField:
    return forms.DateField(
        label="Keep at least until",
        required=False,
        help_text="The last day it must be kept, if your law says one.",
        widget=forms.DateInput({"type": "date"}),
    )


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
    chosen, page = filtered(request, PaperFilter, papers)
    rows = [(each, keeping_of(each, today, by)) for each in page.object_list]
    return render(
        request,
        "lots/papers.html",
        {
            "section": "bench",
            "by": by,
            "filter": chosen,
            "first_filters": ("kind", "about", "party", "keeping", "name"),
            "folded": not request.GET,
            "page": page,
            "rows": [(each, keeping, KEEPING_CSS.get(keeping, "")) for each, keeping in rows],
            "query": paged_address(request),
            "counts": keeping_counts(today, by),
            "parties": papers_by_party(),
            "local_law": LOCAL_LAW,
        },
    )


class PaperForm(ActForm):
    party = party_field(label="Whose paper it is")
    file = forms.FileField(label="PDF or picture", allow_empty_file=True)
    kind = choice_field(Document.Kind, label="What it is")
    retention_until = _until()


class AttachPaper(BenchStep):
    title = "Keep a paper of a party"
    lead = LOCAL_LAW
    button = "Keep it"
    done = "The paper is kept. Only the office sees it."
    form_class = PaperForm
    roles = OFFICE
    template_name = "lots/paper_step.html"

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        party = Party.objects.filter(code=request.GET.get("party", "")).first()
        kind = request.GET.get("kind", "")
        return {"party": party.pk if party else None, "kind": kind}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return attach_document(
            party=data["party"],
            file=data["file"],
            claimed_type=data["file"].content_type or "",
            filing=Filing(data["kind"], data["retention_until"]),
            act=act,
        )

    def after(self, recorded: Any) -> str:
        return reverse("papers")


class FileForm(ActForm):
    kind = choice_field(Document.Kind, label="What it is")
    retention_until = _until()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["note"]
        del self.fields["occurred_at"]

    def act(self, who: Any) -> Act:
        return Act(who=who, key=self.cleaned_data["key"])


class FilePaper(BenchStep):
    title = "File a paper anew"
    lead = "Says what it is and until when it is kept. The paper itself is never changed."
    button = "File it so"
    done = "Filed anew."
    form_class = FileForm
    roles = OFFICE
    template_name = "lots/paper_step.html"

    def find(self, request: HttpRequest, **path: Any) -> Document:
        papers = Document.objects.select_related("party", "lot")
        return get_object_or_404(papers, pk=path["pk"])

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        paper: Document = self.subject
        until = paper.retention_until
        return {"kind": paper.kind, "retention_until": until.isoformat() if until else ""}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        filing = Filing(data["kind"], data["retention_until"])
        return file_document(document=self.subject, filing=filing, act=act)

    def after(self, recorded: Any) -> str:
        return reverse("papers")
