"""Unlikely figures on a page: the question beside the field, what may be meant, and the answer."""

from __future__ import annotations

import hashlib
from typing import Any, Final

from django import forms
from django.http import QueryDict

from config.pages import field_at, put_refusal
from config.refusals import RefusalError
from lots.measurements.unlikely import Asking, one_by_one
from lots.metals import Metal

CONFIRM: Final = "confirm"
INSTEAD: Final = "instead"
ANSWERS: Final = frozenset({CONFIRM, INSTEAD})


def answered(sent: QueryDict) -> QueryDict:
    """What was sent, with a suggestion in the place of what was typed where one was chosen."""
    if INSTEAD not in sent:
        return sent
    changed = sent.copy()
    name, _, text = str(changed.pop(INSTEAD)[-1]).partition("=")
    changed[name] = text
    return changed


def confirmed_in(form: forms.Form) -> list[str]:
    """The entries that were said again, in this form and in those before it."""
    return form.data.getlist(CONFIRM) if isinstance(form.data, QueryDict) else []


def asking(form: forms.Form) -> Asking:
    """Asks about what is unlikely, unless it was said again and is still what it was then."""
    said = set(confirmed_in(form))
    return Asking(lambda path: _entry(form, path) in said)


def put_questions(form: Any, refusal: RefusalError) -> None:
    """The questions beside their fields, each with the buttons that answer it."""
    form.confirmed = confirmed_in(form)
    form.questions = []
    for each in one_by_one(refusal):
        put_refusal(form, each)
        (asked,) = each.questions
        path = asked["field"]
        name = field_at(form, path)
        at = form.questions
        if name is not None:
            at = form.fields[name].__dict__.setdefault("questions", [])
        at.append(
            {
                "entry": _entry(form, path),
                "input": _input(form, name, path),
                "suggestions": asked["suggestions"],
            }
        )


def _input(form: forms.Form, name: str | None, path: str) -> str:
    """The one input that a suggestion goes into; empty where there is none of its own."""
    if name is None:
        return ""
    last = path.rpartition(".")[2]
    if last in Metal.values:
        return f"{name}-{last}"
    return "" if form.fields[name].widget.use_fieldset else name


def _entry(form: forms.Form, path: str) -> str:
    """The field with what stands in it now."""
    name = field_at(form, path)
    texts = [
        (key, text)
        for key in sorted(form.data)
        if name and key.partition("-")[0] == name
        for text in (form.data.getlist(key) if isinstance(form.data, QueryDict) else ())
    ]
    return f"{path} {hashlib.sha256(repr(texts).encode()).hexdigest()[:16]}"
