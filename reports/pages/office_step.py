"""A step of the office: for accountants and managers, with the way back to where it came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms
from django.urls import reverse

from lots.pages.steps import BenchStep
from lots.people.roles import OFFICE


@dataclass(frozen=True)
class Crumb:
    """One place on the way to a page; a code is set as it is on labels."""

    text: str
    address: str
    is_code: bool = False


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


def date_field(**kwargs: Any) -> forms.DateField:
    return forms.DateField(widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"), **kwargs)


def words_field(*, rows: int = 6, **kwargs: Any) -> forms.CharField:
    """Text of several lines, over the whole width."""
    widget = forms.Textarea({"rows": rows})
    widget.wide = True  # type: ignore[attr-defined]
    return forms.CharField(widget=widget, **kwargs)
