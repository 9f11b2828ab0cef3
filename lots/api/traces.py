"""Where a lot's metal came from and where it has gone, through the API."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.questions import AT_A_MOMENT, QuestionView, moment_of
from lots.models import Lot, Party, Place
from lots.traces.lot_trace import Graph, Part, Share, trace_back, trace_forward


@dataclass(frozen=True)
class WherePart:
    """Some of the lot's metal in one lot (its place and owner now), or gone to one account."""

    lot: str | None
    place: str | None
    owner: str | None
    account: str
    metal: str
    mass_ug: int
    standard_uncertainty_ug: int | None


@dataclass(frozen=True)
class Trace:
    """Per metal, `shares` (back) sum to `total_ug`, and so do `parts` (forward), exactly.

    Back, the total is what the lot holds; forward, all that ever came into it. Where lots were
    mixed, each part is in proportion to what each brought. A standard uncertainty is that
    of what the origin brought in (back), or of what came into the lot (forward), in proportion. A
    graph that is not whole shows the nearest lots only; the shares tell every origin.
    """

    lot: str
    direction: str
    total_ug: dict[str, int]
    shares: tuple[Share, ...]
    parts: tuple[WherePart, ...]
    graph: Graph


class TraceLot(QuestionView):
    """Trace a lot's metal back to its origins, or forward to where it is, to the microgram."""

    asks = {
        **AT_A_MOMENT,
        "direction": serializers.ChoiceField(
            choices=["back", "forward"],
            default="back",
            help_text="Back to where the lot's metal came from, or forward to where it has gone.",
        ),
    }
    shows = Trace

    def answer(self, asked: dict[str, Any], **path: Any) -> Trace:
        lot = get_object_or_404(Lot, code=path["code"])
        if asked["direction"] == "back":
            back = trace_back(lot, moment_of(asked))
            return Trace(lot.code, "back", back.held_ug, tuple(back.shares), (), back.graph)
        ahead = trace_forward(lot, moment_of(asked))
        parts = tuple(_named(ahead.parts))
        return Trace(lot.code, "forward", ahead.entered_ug, (), parts, ahead.graph)


def _named(parts: Iterable[Part]) -> Iterable[WherePart]:
    places = dict(Place.objects.values_list("pk", "code"))
    owners = dict(Party.objects.values_list("pk", "code"))
    for part in parts:
        yield WherePart(
            lot=part.lot.code if part.lot else None,
            place=places[part.place_id] if part.place_id else None,
            owner=owners[part.owner_id] if part.owner_id else None,
            account=part.account,
            metal=part.metal,
            mass_ug=part.mass_ug,
            standard_uncertainty_ug=part.standard_uncertainty_ug,
        )
