"""What every form of reference data has: the version it shows, and nothing about when and why."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms
from django.db.models import Model
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.urls import reverse

from lots.declaration.as_page import field_for
from lots.declaration.event import questions_of
from lots.ledger.recording import Act
from lots.pages.bench_form import ActForm
from lots.pages.steps import BenchStep
from lots.people.roles import OFFICE


class EditForm(ActForm):
    """A form about how things are: it says which version of them it was filled from."""

    occurred_at = None  # type: ignore[assignment]
    note = None  # type: ignore[assignment]
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    is_active = forms.BooleanField(label="In use", required=False, initial=True)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields([*(name for name in self.fields if name != "is_active"), "is_active"])

    def details(self) -> dict[str, Any]:
        """What the service takes, by its own names."""
        left_out = {"key", "version"}
        return {name: value for name, value in self.cleaned_data.items() if name not in left_out}


def form_of(details: Any) -> type[EditForm]:
    """The form of a dataclass of details, its fields called as the dataclass calls them."""
    asked = [each for each in questions_of(details) if each.param not in EditForm.base_fields]
    members: dict[str, Any] = {
        each.param: field_for(each, needed=each.needed or each.default not in (None, ""))
        for each in asked
    }
    members["asked_as"] = {**EditForm.asked_as, **{each.name: each.param for each in asked}}
    return type(f"{details.__name__}Form", (EditForm,), members)


class EditReference(BenchStep):
    """Adds one thing of reference data, or edits the one named in the address.

    Subclasses name the model, its list's address and `kind`, and write in `save`.
    """

    kind: ClassVar[str] = ""
    model: ClassVar[type[Model]]
    listed_at: ClassVar[str] = ""
    section = "bench"
    roles = OFFICE
    button = "Keep it"
    done = "Kept."
    template_name = "lots/reference_step.html"

    def find(self, request: HttpRequest, **path: Any) -> Any:
        if "code" not in path:
            self.heading = f"Add a {self.kind}"
            return None
        found: Any = get_object_or_404(self.model, code=path["code"])
        self.heading = f"Edit {found}"
        return found

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        return super().initial(request) if self.subject is None else self.shown_as(self.subject)

    def shown_as(self, row: Any) -> dict[str, Any]:
        """The form's values of what stands on record."""
        fields = [field for field in self.form_class.base_fields if hasattr(row, field)]
        return {field: getattr(row, field) for field in fields}

    def perform(self, act: Act, form: Any) -> Model:
        return self.save(act, form.details(), form.cleaned_data["version"] or 0)

    def save(self, act: Act, details: dict[str, Any], version: int) -> Model:
        """Creates when there is no subject, else edits it as seen at `version`."""
        raise AssertionError(f"{type(self).__name__} has no save")

    def after(self, recorded: Any) -> str:
        return reverse(self.listed_at)

    def context(self) -> dict[str, Any]:
        return {"heading": self.heading, "listed_at": self.listed_at}
