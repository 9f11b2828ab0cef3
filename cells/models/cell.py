"""A cell: its bath, what it may carry, and the ammeter it is read by."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.db.models import Q

from lots.models import Place


class Cell(models.Model):
    """One electrolytic cell. Limits are the works' own; electrolyte and runs come and go."""

    code = models.SlugField(max_length=24, unique=True)
    name = models.CharField(max_length=80)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="cells")
    bath_volume_ul = models.BigIntegerField()
    filter_cloth = models.CharField(max_length=80, blank=True, default="", db_default="")
    copper_limit_g_per_l = models.DecimalField(
        max_digits=8, decimal_places=3, default=Decimal("60")
    )
    silver_min_g_per_l = models.DecimalField(max_digits=8, decimal_places=3, default=Decimal("30"))
    palladium_limit_g_per_l = models.DecimalField(
        max_digits=8, decimal_places=3, default=Decimal("0.5")
    )
    current_limit_a = models.DecimalField(max_digits=8, decimal_places=3)
    fuse_rating_a = models.DecimalField(max_digits=8, decimal_places=3)
    lead_rating_a = models.DecimalField(
        max_digits=8,
        decimal_places=3,
        null=True,
        blank=True,
        help_text="What the leads carry; no fuse may be larger.",
    )
    cathode_cm2 = models.DecimalField(max_digits=9, decimal_places=2, null=True, blank=True)
    clearance_mm = models.DecimalField(
        max_digits=7,
        decimal_places=2,
        null=True,
        blank=True,
        help_text="From the bare cathode to the basket: what crystal may grow to.",
    )
    evaporation_ml_per_h = models.DecimalField(
        max_digits=8, decimal_places=3, default=Decimal("0"), help_text="Water lost in use."
    )
    basket_ug_max = models.BigIntegerField(
        null=True, blank=True, help_text="The most the anode basket takes."
    )
    ammeter_gain_u = models.DecimalField(
        max_digits=6,
        decimal_places=5,
        default=Decimal("0.01"),
        help_text="Relative standard uncertainty common to all of the ammeter's readings.",
    )
    ammeter_reading_u_a = models.DecimalField(
        max_digits=8,
        decimal_places=4,
        default=Decimal("0"),
        help_text="Standard uncertainty of a single reading, in amperes.",
    )
    ammeter_zero_u_a = models.DecimalField(max_digits=8, decimal_places=4, default=Decimal("0"))
    ammeter_calibration_due = models.DateField(null=True, blank=True)
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(bath_volume_ul__gt=0), name="cell_bath_volume"),
            models.CheckConstraint(
                condition=Q(copper_limit_g_per_l__gt=0)
                & Q(silver_min_g_per_l__gte=0)
                & Q(palladium_limit_g_per_l__gt=0),
                name="cell_concentration_limits",
            ),
            models.CheckConstraint(
                condition=Q(current_limit_a__gt=0)
                & Q(fuse_rating_a__gt=0)
                & (Q(lead_rating_a__isnull=True) | Q(lead_rating_a__gt=0)),
                name="cell_current_limits",
            ),
            models.CheckConstraint(
                condition=(Q(cathode_cm2__isnull=True) | Q(cathode_cm2__gt=0))
                & (Q(clearance_mm__isnull=True) | Q(clearance_mm__gt=0))
                & (Q(basket_ug_max__isnull=True) | Q(basket_ug_max__gt=0))
                & Q(evaporation_ml_per_h__gte=0),
                name="cell_geometry",
            ),
            models.CheckConstraint(
                condition=Q(ammeter_gain_u__gte=0)
                & Q(ammeter_reading_u_a__gte=0)
                & Q(ammeter_zero_u_a__gte=0),
                name="cell_ammeter",
            ),
        ]

    def __str__(self) -> str:
        return self.name
