"""Slimes bags: what each should hold, and what the recovery found."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.db.models import Q

from cells.models.run import CellRun
from lots.metals import Metal
from lots.models import Lot, Movement, ProcessBatch
from lots.models.sealed import Sealed


class SlimesBag(Sealed):
    """One filter bag with its slimes. It waits until it is recovered with others."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        IN_RECOVERY = "in_recovery", "In recovery"
        RECOVERED = "recovered", "Recovered"
        WITHDRAWN = "withdrawn", "Withdrawn"

    lot = models.OneToOneField(Lot, on_delete=models.PROTECT, related_name="slimes_bag")
    run = models.ForeignKey(
        CellRun,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="slimes_bags",
        help_text="None for a bag that was waiting when the ledger began.",
    )
    state = models.CharField(
        max_length=12, choices=State.choices, default=State.WAITING, db_index=True
    )
    bagged_at = models.DateTimeField(db_index=True)
    torn = models.BooleanField(default=False)
    kept_share = models.DecimalField(
        max_digits=5,
        decimal_places=4,
        default=Decimal(1),
        help_text="The share of the slimes still in the bag; the rest fell among the crystal.",
    )
    process_batch = models.ForeignKey(
        ProcessBatch, on_delete=models.PROTECT, null=True, blank=True, related_name="slimes_bags"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["bagged_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kept_share__gte=0) & Q(kept_share__lte=1), name="slimes_bag_kept_share"
            ),
        ]

    def __str__(self) -> str:
        return self.lot.code


class SlimesEstimate(Sealed):
    """What one bag should hold of one metal: as estimated, before recovery factors, and booked.

    `booked_ug` is what the movement put into the bag, `spilt_ug` what a torn bag let fall.
    """

    bag = models.ForeignKey(SlimesBag, on_delete=models.PROTECT, related_name="estimates")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    mass_ug = models.BigIntegerField()
    standard_uncertainty_ug = models.BigIntegerField()
    unfactored_ug = models.BigIntegerField()
    unfactored_u_ug = models.BigIntegerField()
    booked_ug = models.BigIntegerField()
    spilt_ug = models.BigIntegerField(default=0)

    class Meta:
        ordering = ["bag_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["bag", "metal"], name="slimes_estimate_one_a_metal"),
            models.CheckConstraint(
                condition=Q(mass_ug__gte=0)
                & Q(standard_uncertainty_ug__gte=0)
                & Q(booked_ug__gte=0)
                & Q(spilt_ug__gte=0),
                name="slimes_estimate_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bag} {self.metal} {self.mass_ug} ug"


class RecoveryOutcome(Sealed):
    """What a recovery found of one metal, shared out to one bag, beside the estimate.

    It counts while the closing that it rests on stands.
    """

    process_batch = models.ForeignKey(
        ProcessBatch, on_delete=models.PROTECT, related_name="recovery_outcomes"
    )
    closing = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="+")
    bag = models.ForeignKey(SlimesBag, on_delete=models.PROTECT, related_name="outcomes")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    estimated_ug = models.BigIntegerField(help_text="Before any recovery factor.")
    estimated_u_ug = models.BigIntegerField()
    booked_ug = models.BigIntegerField()
    recovered_ug = models.BigIntegerField()
    recovered_u_ug = models.BigIntegerField()

    class Meta:
        ordering = ["-closing_id", "bag_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["closing", "bag", "metal"], name="recovery_outcome_one_a_metal"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bag} {self.metal}: {self.recovered_ug} of {self.estimated_ug} ug"

    @property
    def counts(self) -> bool:
        return not hasattr(self.closing, "reversed_by")

    @property
    def difference_ug(self) -> int:
        return self.booked_ug - self.recovered_ug
