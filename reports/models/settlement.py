"""Contract terms by version, settlements with their terms frozen, and questions about them."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from lots.models import Lot, Movement, Party
from lots.models.sealed import Sealed
from reports.models.approval import Approval, two_people


class ContractTerms(Sealed):
    """One version of a customer's terms, for all forms or for one. Rows are only ever added."""

    customer = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="contract_terms")
    form = models.CharField(max_length=16, choices=Lot.Form.choices, blank=True)
    number = models.PositiveIntegerField()
    valid_from = models.DateField()
    content = models.JSONField()
    note = models.CharField(max_length=500, blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["customer_id", "form", "-valid_from", "-number"]
        verbose_name_plural = "contract terms"
        constraints = [
            models.UniqueConstraint(
                fields=["customer", "form", "number"], name="contract_terms_number"
            ),
        ]

    def __str__(self) -> str:
        form = f", {self.get_form_display()}" if self.form else ""
        return f"{self.customer}{form}, version {self.number}"


class Settlement(Approval):
    """The account to a customer of one lot, as reckoned when it was prepared.

    `terms`, `case` and `lines` are frozen with it: a later change of terms, assays or prices makes
    a new settlement that supersedes this one and shows the difference.
    """

    class Kind(models.TextChoices):
        PROVISIONAL = "provisional", "Provisional"
        FINAL = "final", "Final"

    class State(models.TextChoices):
        DRAFT = "draft", "Draft"
        APPROVED = "approved", "Approved"
        SUPERSEDED = "superseded", "Superseded"
        WITHDRAWN = "withdrawn", "Withdrawn"

    code = models.CharField(max_length=20, unique=True)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="settlements")
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="settlements")
    kind = models.CharField(max_length=11, choices=Kind.choices)
    state = models.CharField(
        max_length=10, choices=State.choices, default=State.DRAFT, db_index=True
    )
    contract_terms = models.ForeignKey(
        ContractTerms, on_delete=models.PROTECT, related_name="settlements"
    )
    terms = models.JSONField(help_text="The terms as they stood, frozen.")
    case = models.JSONField(help_text="Weights, results and prices as they stood, frozen.")
    lines = models.JSONField()
    payable_ug = models.JSONField(help_text="Micrograms payable by metal.")
    total = models.DecimalField(max_digits=20, decimal_places=6)
    currency = models.CharField(max_length=3)
    supersedes = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    changes = models.JSONField(
        default=list, help_text="Line by line, what differs from the settlement superseded."
    )
    movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="settlement"
    )
    prepared_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    prepared_at = models.DateTimeField(db_index=True)
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True, db_index=True)
    note = models.CharField(max_length=500, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-prepared_at", "-id"]
        constraints = [
            two_people("settlement_approval", "prepared_by", "approved_by"),
            models.CheckConstraint(
                condition=~Q(state__in=["approved", "superseded"]) | Q(approved_by__isnull=False),
                name="settlement_approved_by_someone",
            ),
            models.UniqueConstraint(
                fields=["lot"], condition=Q(state="draft"), name="settlement_one_draft_a_lot"
            ),
            models.UniqueConstraint(
                fields=["lot"], condition=Q(state="approved"), name="settlement_one_in_force_a_lot"
            ),
        ]

    def __str__(self) -> str:
        return self.code


class SettlementQuestion(Sealed):
    """A customer's question about a lot, with the answer put together from what is on record."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        ANSWERED = "answered", "Answered"
        WITHDRAWN = "withdrawn", "Withdrawn"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="settlement_questions")
    settlement = models.ForeignKey(
        Settlement, on_delete=models.PROTECT, null=True, blank=True, related_name="questions"
    )
    customer = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="+")
    question = models.TextField()
    state = models.CharField(max_length=9, choices=State.choices, default=State.OPEN, db_index=True)
    asked_at = models.DateTimeField(db_index=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    answer = models.JSONField(help_text="What the books said when the question came.")
    draft = models.TextField(help_text="A reply drafted from those facts, to be edited.")
    reply = models.TextField(blank=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    answered_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["state", "-asked_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="answered") | Q(answered_by__isnull=False),
                name="settlement_question_answered_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"question {self.pk} about {self.lot}"
