"""One movement with every line of it: the receipt after a posting, and where it is taken back."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest
from django.shortcuts import get_object_or_404

from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.models import Movement
from lots.pages.bench_form import TimelessForm
from lots.pages.lists import touched_lots
from lots.pages.steps import BenchStep
from lots.people.access import role_of
from lots.people.roles import check_may_reverse, may_reverse


class ReversalForm(TimelessForm):
    reason = forms.CharField(
        label="Why it is taken back",
        max_length=200,
        help_text="Both the movement and its reversal stay on record with this.",
    )


class MovementReceipt(BenchStep):
    """GET is the receipt; POST reverses."""

    title = "Take it back"
    button = "Reverse this movement"
    done = "Reversed: its exact opposite is posted."
    section = "movements"
    form_class = ReversalForm
    template_name = "lots/movement.html"

    def find(self, request: HttpRequest, **path: Any) -> Movement:
        movements = Movement.objects.select_related(
            "recorded_by", "counterparty", "reverses", "refers_to", "reversed_by"
        ).prefetch_related(
            "entries__lot",
            "entries__account",
            "entries__owner",
            "claim_entries__owner",
            "material_entries__lot",
            "standings__lot",
            "standings__place",
            "standings__owner",
            "excesses__lot",
        )
        return get_object_or_404(movements, sequence=path["sequence"])

    def context(self) -> dict[str, Any]:
        movement: Movement = self.subject
        reversal = getattr(movement, "reversed_by", None)
        return {
            "movement": movement,
            "reversal": reversal,
            "lots": touched_lots(movement),
            "can_reverse": reversal is None
            and movement.reverses_id is None
            and may_reverse(movement, role_of(self.request)),
        }

    def perform(self, act: Act, form: Any) -> Movement:
        check_may_reverse(self.subject, role_of(self.request))
        reason = form.cleaned_data["reason"]
        return reverse_movement(movement=self.subject, reason=reason, act=act)
