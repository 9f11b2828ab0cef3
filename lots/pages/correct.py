"""A photo or a paper is attached to a lot."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Model

from lots.ledger.recording import Act
from lots.models import Document
from lots.pages.bench_form import ActForm, choice_field
from lots.pages.steps import OfLot
from lots.services.documents import Filing, attach_document


class AttachForm(ActForm):
    file = forms.FileField(
        label="Photo or paper",
        help_text="PDF, PNG, JPEG or WebP.",
        widget=forms.ClearableFileInput({"accept": ".pdf,.png,.jpg,.jpeg,.webp"}),
    )
    name = forms.CharField(
        max_length=120, required=False, help_text="Leave it empty to keep the file's name."
    )
    kind = choice_field(
        Document.Kind, label="What it is", initial=Document.Kind.OTHER, required=False
    )
    retention_until = forms.DateField(
        label="Keep at least until",
        required=False,
        help_text="The last day it must be kept, if your law says one.",
        widget=forms.DateInput({"type": "date"}),
    )


class AttachDocument(OfLot):
    title = "Attach a photo or paper"
    button = "Attach it"
    done = "Attached."
    form_class = AttachForm

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return attach_document(
            lot=self.subject,
            file=data["file"],
            name=data["name"],
            claimed_type=data["file"].content_type or "",
            filing=Filing(data["kind"] or Document.Kind.OTHER, data["retention_until"]),
            act=act,
        )
