"""What every bench form has: its own key, when it happened, a note; and common parts of forms."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from typing import Any, Final

from django import forms
from django.contrib.auth.models import AbstractBaseUser
from django.utils import timezone

from lots.ledger.recording import KEY_LENGTH_MAX, NOTE_LENGTH_MAX, Act
from lots.models import Party, Place
from lots.pages.unlikely import asking


def new_key() -> str:
    return f"page-{uuid.uuid4()}"


MOMENT_FORMATS: Final = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]


def moment_input() -> forms.DateTimeInput:
    return forms.DateTimeInput({"type": "datetime-local"}, format=MOMENT_FORMATS[0])


class ActForm(forms.Form):
    """A form that records one thing, once, however often it is sent."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH_MAX, initial=new_key)
    occurred_at = forms.DateTimeField(
        label="When it happened",
        required=False,
        help_text="Leave it empty for now. Times are those of the works.",
        widget=moment_input(),
        input_formats=MOMENT_FORMATS,
    )
    note = forms.CharField(
        required=False,
        max_length=NOTE_LENGTH_MAX,
        widget=forms.TextInput({"autocomplete": "off"}),
    )
    field_order: list[str] | None = None
    # What services call otherwise than this form, by its last name: see `put_refusal`.
    asked_as: Mapping[str, str] = {"idempotency_key": "key"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # When and why are asked after what happened, whatever order the classes declare.
        last: list[str] = [n for n in ("occurred_at", "note", "key") if n in self.fields]
        self.order_fields([*(name for name in self.fields if name not in last), *last])
        for field in self.fields.values():
            if isinstance(field, forms.ModelChoiceField):
                field.empty_label = "Choose …" if field.required else "–"

    def act(self, who: AbstractBaseUser) -> Act:
        """Who, when, why and the key, for the service."""
        moment: dt.datetime | None = self.cleaned_data.get("occurred_at")
        if moment is not None and timezone.is_naive(moment):
            moment = timezone.make_aware(moment)
        return Act(
            who=who,
            occurred_at=moment,
            key=self.cleaned_data["key"],
            note=self.cleaned_data.get("note", ""),
            doubter=asking(self),
        )


def begins_with(form: forms.Form) -> dict[str, Any]:
    """What a form not yet sent begins with, as though it were sent."""
    begins = {name: form.get_initial_for_field(field, name) for name, field in form.fields.items()}
    return {name: value for name, value in begins.items() if value is not None}


def place_field(**kwargs: Any) -> forms.ModelChoiceField[Place]:
    return forms.ModelChoiceField(Place.objects.filter(is_active=True), **kwargs)


def party_field(kinds: tuple[str, ...] = (), **kwargs: Any) -> forms.ModelChoiceField[Party]:
    parties = Party.objects.filter(is_active=True)
    return forms.ModelChoiceField(parties.filter(kind__in=kinds) if kinds else parties, **kwargs)


def choice_field(choices: Any, **kwargs: Any) -> forms.ChoiceField:
    """A choice that asks to be made, unless it comes with an initial value."""
    listed = list(choices.choices if hasattr(choices, "choices") else choices)
    first = [] if "initial" in kwargs else [("", "Choose …")]
    return forms.ChoiceField(choices=first + listed, **kwargs)
