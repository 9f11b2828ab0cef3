"""The pages of events that have a shape of their own."""

from __future__ import annotations

from typing import Any, Final

from django import forms
from django.db.models import Model

from lots.declaration.as_page import EventForm, EventPage
from lots.ledger.posting import house
from lots.ledger.recording import Act
from lots.pages.bars_listing import ListBar
from lots.pages.bench_form import ActForm, place_field
from lots.pages.form_fields import MassField, VolumeField
from lots.pages.impurities import ImpuritiesPage
from lots.people.people_pages import TellingPage
from lots.services.process_batches import BATCH_CAUTIONS
from lots.services.splitting import Part

PARTS_MAX: Final = 4


class SplitPage(EventPage):
    """Up to four parts; what no part takes stays under the old label."""

    def make_form(self, **kwargs: Any) -> ActForm:
        form = EventForm(event=self.event, subject=self.subject, **kwargs)
        kind = VolumeField if self.subject.is_liquid else MassField
        names = []
        for index in range(1, PARTS_MAX + 1):
            place = place_field(label=f"Part {index} is put", required=False)
            place.empty_label = "where the lot stands"
            form.fields[f"part_{index}"] = kind(label=f"Part {index}", required=index == 1)
            form.fields[f"part_{index}_place"] = place
            names += [f"part_{index}", f"part_{index}_place"]
        form.order_fields([*names, *form.fields])
        return form

    def perform(self, act: Act, form: Any) -> Model:
        unit = "volume_ul" if self.subject.is_liquid else "mass_ug"
        data = form.cleaned_data
        parts = [
            Part(**{unit: data[f"part_{index}"], "place": data[f"part_{index}_place"]})
            for index in range(1, PARTS_MAX + 1)
            if data[f"part_{index}"] is not None
        ]
        answers = {**form.answers(), "parts": parts}
        return self.event.service(**self.event.arguments(answers, self.subject), act=act)


class ReceivePage(EventPage):
    """Asks whether it was bought, instead of whose it is."""

    def make_form(self, **kwargs: Any) -> ActForm:
        form = EventForm(event=self.event, **kwargs)
        form.fields["bought"] = forms.BooleanField(
            label="Bought outright: it is the house's metal from now on", required=False
        )
        form.order_fields([*self.event.order, *form.fields])
        return form

    def perform(self, act: Act, form: Any) -> Model:
        answers = form.answers()
        bought = form.cleaned_data["bought"]
        answers["owner"] = house() if bought else answers["party"]
        return self.event.service(**self.event.arguments(answers, None), act=act)


class StartBatchPage(EventPage):
    def make_form(self, **kwargs: Any) -> ActForm:
        """The cautions follow the kind of process once that is known."""
        asked = self.request.POST.get("kind") or self.request.GET.get("kind") or ""
        self.cautions = BATCH_CAUTIONS.get(asked, self.event.cautions)
        return super().make_form(**kwargs)


OVERRIDES: Final[dict[str, type[EventPage]]] = {
    "split": SplitPage,
    "impurities": ImpuritiesPage,
    "list-bar": ListBar,
    "receive": ReceivePage,
    "batch-start": StartBatchPage,
    "person-add": TellingPage,
    "person-link": TellingPage,
    "person-password": TellingPage,
}
