"""The pages of events that have a shape of their own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.http import HttpRequest

from cells.pages.readings_grid import GridField
from cells.services.electrolytes import at_hand
from cells.services.readings import TimedInstruments
from lots.declaration.as_page import FIELDS, EventPage

FIELDS[Sequence[TimedInstruments]] = lambda question, **kwargs: GridField(**kwargs)


class ChargeCell(EventPage):
    def initial(self, request: HttpRequest) -> dict[str, Any]:
        """Its latest electrolyte; a plan's address names one, and each lot with its portion."""
        planned = request.GET.get("electrolyte")
        named = at_hand().filter(lot__code=planned).first() if planned else None
        takes = [tuple(each.partition(":")[::2]) for each in request.GET.getlist("take")]
        latest = self.subject.electrolytes.order_by("-id").first()
        return {"electrolyte": named or latest, "takes": takes}


OVERRIDES: Final[dict[str, type[EventPage]]] = {"charge": ChargeCell}
