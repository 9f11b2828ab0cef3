"""Reference data: parties, people, places and the balances that weigh."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.db import models
from django.db.models import Q


class Party(models.Model):
    """Whoever supplies, owns, analyses or receives metal; the house is one of them."""

    class Kind(models.TextChoices):
        HOUSE = "house", "House"
        CUSTOMER = "customer", "Customer"
        SUPPLIER = "supplier", "Supplier"
        LABORATORY = "laboratory", "Laboratory"

    code = models.SlugField(max_length=24, unique=True)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=12, choices=Kind.choices)
    contact = models.CharField(max_length=200, blank=True)
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name", "id"]
        verbose_name_plural = "parties"
        constraints = [
            models.UniqueConstraint(
                fields=["kind"], condition=Q(kind="house"), name="party_one_house"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_house(self) -> bool:
        return self.kind == self.Kind.HOUSE


class Person(models.Model):
    """What a signed-in user does at the works, or which customer's metal they may look at."""

    class Role(models.TextChoices):
        OPERATOR = "operator", "Operator"
        ASSAYER = "assayer", "Assayer"
        ACCOUNTANT = "accountant", "Accountant"
        MANAGER = "manager", "Manager"
        CUSTOMER = "customer", "Customer"

    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="person"
    )
    role = models.CharField(max_length=12, choices=Role.choices)
    party = models.ForeignKey(
        Party, on_delete=models.PROTECT, null=True, blank=True, related_name="people"
    )
    must_change_password = models.BooleanField(
        default=False,
        db_default=False,
        help_text="The password was given to them: it opens nothing but the change of it.",
    )

    class Meta:
        ordering = ["user_id"]
        verbose_name_plural = "people"
        constraints = [
            models.CheckConstraint(
                condition=~Q(role="customer") | Q(party__isnull=False),
                name="person_customer_has_party",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user} ({self.get_role_display()})"


class Place(models.Model):
    """A shelf, safe, cell or bench where lots stand."""

    class Area(models.TextChoices):
        FEED_STORE = "feed_store", "Feed store"
        MELT_SHOP = "melt_shop", "Melt shop"
        WET_BENCH = "wet_bench", "Wet bench"
        CELL = "cell", "Cell"
        ELECTROLYTE = "electrolyte", "Electrolyte store"
        SLIMES_STORE = "slimes_store", "Slimes store"
        FINE_STORE = "fine_store", "Fine store"
        QUARANTINE = "quarantine", "Quarantine"
        LABORATORY = "laboratory", "Laboratory"
        WASTE_STORE = "waste_store", "Waste store"

    code = models.SlugField(max_length=24, unique=True)
    name = models.CharField(max_length=120)
    area = models.CharField(max_length=16, choices=Area.choices)
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class Balance(models.Model):
    """A weighing instrument with what its certificate says of it."""

    code = models.SlugField(max_length=24, unique=True)
    name = models.CharField(max_length=120)
    capacity_ug = models.BigIntegerField(
        null=True, blank=True, help_text="Empty: it is not known, and nothing is refused for it."
    )
    readability_ug = models.BigIntegerField()
    standard_uncertainty_ug = models.BigIntegerField(
        help_text="Of one weighing (gross or tare), from the calibration certificate."
    )
    uncertainty_is_supposed = models.BooleanField(
        default=False, db_default=False, help_text="It follows from the last digit alone."
    )
    calibration_due = models.DateField(null=True, blank=True, help_text="Empty: it is not known.")
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(readability_ug__gt=0), name="balance_readability"),
            models.CheckConstraint(condition=Q(capacity_ug__gt=0), name="balance_capacity"),
            models.CheckConstraint(
                condition=Q(standard_uncertainty_ug__gte=0), name="balance_uncertainty"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def is_overdue(self, on: dt.date) -> bool:
        """Whether its calibration had run out on that day, as far as it is known."""
        return self.calibration_due is not None and on > self.calibration_due
