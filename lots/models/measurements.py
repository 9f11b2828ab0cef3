"""What was measured: weighings, volumes, assays. Never edited; a wrong one is withdrawn."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from lots.metals import Metal
from lots.models.lot import Lot
from lots.models.reference import Balance, Party
from lots.models.sealed import Sealed


class Measurement(Sealed):
    """One measured quantity of a lot, with when it was taken and by whom."""

    class Kind(models.TextChoices):
        WEIGHING = "weighing", "Weighing"
        VOLUME = "volume", "Volume"
        COULOMBS = "coulombs", "Coulomb count"

    kind = models.CharField(max_length=10, choices=Kind.choices)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="measurements")
    taken_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField()
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-taken_at", "-id"]
        indexes = [models.Index(fields=["lot", "kind", "taken_at"], name="measurement_lot_kind")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.pk} of {self.lot}"


class Weighing(Measurement):
    """Gross and tare on one balance; net is their difference."""

    class Purpose(models.TextChoices):
        RECEIPT = "receipt", "Receipt"
        MELT = "melt", "After melt"
        OUTPUT = "output", "Output of a step"
        HARVEST = "harvest", "Dry harvest"
        CHECK = "check", "Check weighing"
        COUNT = "count", "Count"
        SHIPMENT = "shipment", "Shipment"

    balance = models.ForeignKey(Balance, on_delete=models.PROTECT, related_name="weighings")
    purpose = models.CharField(max_length=10, choices=Purpose.choices)
    gross_ug = models.BigIntegerField()
    tare_ug = models.BigIntegerField()
    net_ug = models.BigIntegerField()
    standard_uncertainty_ug = models.BigIntegerField()
    calibration_overdue = models.BooleanField(default=False)
    entered_as = models.CharField(max_length=80, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(net_ug=F("gross_ug") - F("tare_ug")), name="weighing_net"
            ),
            models.CheckConstraint(
                condition=Q(tare_ug__gte=0) & Q(net_ug__gt=0), name="weighing_positive"
            ),
        ]


class VolumeReading(Measurement):
    """A volume of solution."""

    volume_ul = models.BigIntegerField()
    standard_uncertainty_ul = models.BigIntegerField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(volume_ul__gt=0), name="volume_positive"),
        ]


class Assay(Sealed):
    """One laboratory's result for one lot: per metal, a fineness or a concentration."""

    class Method(models.TextChoices):
        FIRE = "fire_assay", "Fire assay"
        GRAVIMETRIC = "gravimetric", "Gravimetric"
        TITRATION = "titration", "Titration"
        ICP_OES = "icp_oes", "ICP-OES"
        XRF = "xrf", "XRF"

    class Side(models.TextChoices):
        """Whose result it is when results are exchanged."""

        HOUSE = "house", "House"
        COUNTERPARTY = "counterparty", "Counterparty"
        UMPIRE = "umpire", "Umpire"

    class Basis(models.TextChoices):
        FINENESS = "ppt", "Parts per thousand by mass"
        CONCENTRATION = "g_per_l", "Grams per litre"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="assays")
    sample = models.ForeignKey(
        Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="assays_as_sample"
    )
    method = models.CharField(max_length=12, choices=Method.choices)
    laboratory = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="assays")
    side = models.CharField(max_length=12, choices=Side.choices, default=Side.HOUSE)
    basis = models.CharField(max_length=8, choices=Basis.choices, default=Basis.FINENESS)
    certificate = models.CharField(max_length=80, blank=True)
    taken_at = models.DateTimeField(help_text="When the sample was taken.")
    reported_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["-reported_at", "-id"]

    def __str__(self) -> str:
        return f"{self.get_method_display()} {self.pk} of {self.lot}"


class AssayResult(Sealed):
    """One metal's figure: `value` in the assay's basis with its standard uncertainty."""

    assay = models.ForeignKey(Assay, on_delete=models.PROTECT, related_name="results")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    value = models.DecimalField(max_digits=12, decimal_places=6)
    standard_uncertainty = models.DecimalField(max_digits=12, decimal_places=6)

    class Meta:
        ordering = ["assay_id", "metal"]
        constraints = [
            models.UniqueConstraint(fields=["assay", "metal"], name="assay_result_one_a_metal"),
            models.CheckConstraint(
                condition=Q(value__gte=0) & Q(standard_uncertainty__gte=0),
                name="assay_result_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.metal} {self.value}"


class Withdrawal(Sealed):
    """A measurement or assay found wrong: it stays on record, and says so."""

    measurement = models.OneToOneField(
        Measurement, on_delete=models.PROTECT, null=True, blank=True, related_name="withdrawal"
    )
    assay = models.OneToOneField(
        Assay, on_delete=models.PROTECT, null=True, blank=True, related_name="withdrawal"
    )
    reason = models.CharField(max_length=200)
    withdrawn_at = models.DateTimeField()
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-withdrawn_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(measurement__isnull=True) ^ Q(assay__isnull=True),
                name="withdrawal_of_one_thing",
            ),
        ]

    def __str__(self) -> str:
        return f"withdrawn: {self.measurement or self.assay}"
