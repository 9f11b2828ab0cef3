"""Events through the API: what happened after what a program has already seen."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from typing import Any, Final

from django.http import StreamingHttpResponse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers

from lots.api.questions import QuestionView
from lots.api.records import show
from lots.feed.events import EVENTS_MAX, Event, EventPage, all_events_after, events_after
from lots.models import Movement, Party
from lots.people.permissions import StaffOrCustomer, customer_looking
from lots.services.access_log import EVENTS, tell_reading

LINES: Final = "application/x-ndjson"


class EventsAfter(QuestionView):
    """Events after an id, in the order of the ledger; ask again with `next_after`.

    Ids go up by one without a gap, before any filter. An event may be met twice, never missed.
    Customers get what concerns their own lots and claims, but not what a result of the works ruled
    that they may not see yet: once theirs is recorded, ask for the lot's answer again.
    """

    asks = {
        "after": serializers.IntegerField(
            default=0, min_value=0, max_value=2**62, help_text="The last id already seen."
        ),
        "kind": serializers.MultipleChoiceField(
            choices=Movement.Kind.choices, required=False, help_text="Only of these kinds."
        ),
        "limit": serializers.IntegerField(default=100, min_value=1, max_value=EVENTS_MAX),
        "lines": serializers.BooleanField(
            default=False,
            help_text="All there are, one JSON object a line, whatever the limit.",
        ),
    }
    shows = EventPage
    permission_classes = [StaffOrCustomer]
    other_answers = {(200, LINES): OpenApiTypes.STR}

    def respond(self, asked: dict[str, Any], **path: Any) -> Any:
        if not asked["lines"]:
            return super().respond(asked, **path)
        wanted = self._wanted(asked)
        self._tell(wanted["party"])
        events = all_events_after(asked["after"], **wanted)
        lines = _as_lines(events, timezone.get_current_timezone())
        return StreamingHttpResponse(lines, content_type=LINES)

    def answer(self, asked: dict[str, Any], **path: Any) -> EventPage:
        wanted = self._wanted(asked)
        page = events_after(asked["after"], limit=asked["limit"], **wanted)
        if page.events:
            self._tell(wanted["party"])
        return page

    def _tell(self, customer: Party | None) -> None:
        if customer is not None:
            tell_reading(customer=customer, user=self.request.user, what=EVENTS, form="json")

    def _wanted(self, asked: dict[str, Any]) -> dict[str, Any]:
        return {
            "kinds": sorted(asked.get("kind", ())),
            "party": customer_looking(self.request),
        }


def _as_lines(events: Iterator[Event], zone: dt.tzinfo) -> Iterator[bytes]:
    """A stream is read when the request that knew the zone is over."""
    for event in events:
        with timezone.override(zone):
            line = json.dumps(show(event))
        yield line.encode() + b"\n"
