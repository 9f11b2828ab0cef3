"""What a unit of metal is worth from a day on, as the works enters it. No price is looked up."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from lots.metals import Metal
from lots.models.sealed import Sealed


class MetalPrice(Sealed):
    """The price of one unit of a metal from a day on, until a later row of the same metal."""

    class Unit(models.TextChoices):
        OZT = "ozt", "Troy ounce"
        G = "g", "Gram"

    metal = models.CharField(max_length=2, choices=Metal.choices)
    per_unit = models.CharField(max_length=3, choices=Unit.choices)
    price = models.DecimalField(max_digits=14, decimal_places=4)
    currency = models.CharField(max_length=3)
    from_date = models.DateField()
    source = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["metal", "currency", "-from_date"]
        constraints = [
            models.UniqueConstraint(
                fields=["metal", "currency", "from_date"], name="metal_price_one_a_day"
            ),
            models.CheckConstraint(condition=Q(price__gt=0), name="metal_price_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.metal} {self.price} {self.currency}/{self.per_unit} from {self.from_date}"
