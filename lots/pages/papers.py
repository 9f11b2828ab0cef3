"""Papers of parties, such as proof of identity, and which documents' time of keeping ends."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from django import forms
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone

from lots import clock
from lots.local_law import LOCAL_LAW
from lots.models import Document
from lots.pages.access import office_page
from lots.pages.bench_form import ActForm, choice_field, party_field
from lots.pages.steps import BenchStep
from lots.queries.documents import retention_ending
from lots.queries.roles import OFFICE
from lots.services.documents import Filing, attach_document
from lots.services.recording import Act

DAYS_AHEAD: Final = 30
LISTED_MAX: Final = 500


@office_page
def papers_page(request: HttpRequest) -> HttpResponse:
    """What must soon no longer be kept, and the papers of every party."""
    today = timezone.localdate(clock.now(), timezone.get_default_timezone())
    by = today + dt.timedelta(days=DAYS_AHEAD)
    papers = Document.objects.filter(party__isnull=False).select_related("party", "added_by")
    return render(
        request,
        "lots/papers.html",
        {
            "section": "bench",
            "by": by,
            "ending": retention_ending(by)[:LISTED_MAX],
            "papers": papers.order_by("party__name", "-id")[:LISTED_MAX],
            "local_law": LOCAL_LAW,
        },
    )


class PaperForm(ActForm):
    party = party_field(label="Whose paper it is")
    file = forms.FileField(label="PDF or picture", allow_empty_file=True)
    kind = choice_field(Document.Kind, label="What it is")
    retention_until = forms.DateField(
        label="Keep at least until",
        required=False,
        help_text="The last day it must be kept, if your law says one.",
        widget=forms.DateInput({"type": "date"}),
    )


class AttachPaper(BenchStep):
    title = "Keep a paper of a party"
    lead = LOCAL_LAW
    button = "Keep it"
    done = "The paper is kept. Only the office sees it."
    form_class = PaperForm
    roles = OFFICE
    template_name = "lots/paper_step.html"

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
