"""A step of the office: for accountants and managers, with the way back to where it came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms
from django.urls import reverse

from lots.pages.bench_form import ActForm
from lots.pages.steps import BenchStep
from lots.people.roles import OFFICE


@dataclass(frozen=True)
class Crumb:
    """One place on the way to a page; a code is set as it is on labels."""

    text: str
    address: str
    is_code: bool = False


class OfficeForm(ActForm):
    """Office steps happen when they are recorded."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["occurred_at"].widget = forms.HiddenInput()


class OfficeStep(BenchStep):
    """Subclasses name `back`, the list they belong to, and `crumbs` for what is nearer."""

    section = "settlements"
    roles: ClassVar[frozenset[str] | None] = OFFICE
    template_name = "reports/office_step.html"
    back: ClassVar[tuple[str, str]] = ("Settlements", "settlements")

    def crumbs(self) -> list[Crumb]:
        return []

    def trail(self) -> list[Crumb]:
        text, name = self.back
        return [Crumb(text, reverse(name)), *self.crumbs()]
