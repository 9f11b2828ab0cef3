"""The ledger: movements and their signed lines. Rows are only ever added.

A movement has five kinds of line. `Entry` says where metal went (a lot or an outside account) and
balances to zero per metal. `ClaimEntry` says whose the pooled metal is and sums, per metal, to what
the movement added to the house's lots. `MaterialEntry` follows a lot's own mass and volume, which
acids, slag and evaporation keep from being conserved. `LotStanding` says where a lot stands and who
owns it from then on. `Excess` marks metal drawn from a difference account because an output
measured more than the book held.
"""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from lots.metals import Metal
from lots.models.lot import Lot
from lots.models.measurements import Assay, Measurement
from lots.models.reference import Party, Place
from lots.models.sealed import Sealed


class Account(models.Model):
    """An outside account: where metal comes from and goes to that is no lot of the works."""

    class Kind(models.TextChoices):
        TRADE = "trade", "Trade"
        OPENING = "opening", "Opening"
        SUPPLIES = "supplies", "Supplies"
        LOSS = "loss", "Loss"
        DIFFERENCE = "difference", "Difference"

    code = models.SlugField(max_length=32, unique=True)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=10, choices=Kind.choices)

    class Meta:
        ordering = ["kind", "code"]

    def __str__(self) -> str:
        return self.name


class LedgerHead(models.Model):
    """The single row every writer locks first: one writer at a time, so no deadlock is possible."""

    last_sequence = models.BigIntegerField(default=0)
    last_digest = models.CharField(max_length=64, default="0" * 64)
    last_recorded_at = models.DateTimeField(null=True, blank=True)
    last_seal = models.BigIntegerField(default=0)
    last_seal_digest = models.CharField(max_length=64, default="0" * 64)

    def __str__(self) -> str:
        return f"after movement {self.last_sequence}"


class BooksMonth(Sealed):
    """A month on the books: the bounds stored here rule, whatever the time zone.

    A closed one takes no movement that occurred in it, or before it.
    """

    class State(models.TextChoices):
        OPEN = "open", "Open"
        CLOSED = "closed", "Closed"

    first_day = models.DateField(unique=True)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    state = models.CharField(max_length=6, choices=State.choices, default=State.OPEN)

    class Meta:
        ordering = ["-first_day"]

    def __str__(self) -> str:
        return self.first_day.strftime("%Y-%m")


class Movement(models.Model):
    """One event that moved metal, changed whose it is, or changed where a lot stands."""

    class Kind(models.TextChoices):
        OPENING = "opening", "Opening balance"
        RECEIPT = "receipt", "Receipt"
        MELT = "melt", "Melt"
        SAMPLING = "sampling", "Sampling"
        ASSAY_DIFFERENCE = "assay_difference", "Assay difference"
        WEIGHING_DIFFERENCE = "weighing_difference", "Weighing difference"
        SPLIT = "split", "Split"
        BLEND = "blend", "Blend"
        TRANSFER = "transfer", "Transfer of place"
        CHANGE_OF_OWNER = "change_of_owner", "Change of owner"
        SHIPMENT = "shipment", "Shipment"
        RETURN = "return", "Return to customer"
        WRITE_OFF = "write_off", "Write-off"
        CLAIM = "claim", "Claim settled"
        BATCH_INPUT = "batch_input", "Process input"
        BATCH_OUTPUT = "batch_output", "Process output"
        BATCH_CLOSE = "batch_close", "Process closed"
        ELECTROLYTE = "electrolyte", "Electrolyte prepared"
        CHARGE = "charge", "Charge"
        TOP_UP = "top_up", "Electrolyte topped up"
        HARVEST = "harvest", "Harvest"
        RINSE = "rinse", "Rinse water taken"
        BLEED = "bleed", "Bleed"
        REMNANT = "remnant", "Anode remnant taken"
        SLIMES = "slimes", "Slimes bag taken"
        ELECTROLYTE_STATE = "electrolyte_state", "Electrolyte measured"
        RUN_CLOSE = "run_close", "Run closed"
        COUNT_ADJUSTMENT = "count_adjustment", "Count adjustment"
        REVERSAL = "reversal", "Reversal"

    class Stage(models.TextChoices):
        """Where in the works it happened; losses are accounted by it."""

        RECEIPT = "receipt", "Receipt and melt"
        PARTING = "parting", "Parting"
        CELL = "cell", "Cell"
        RINSE = "rinse", "Rinse"
        CEMENTATION = "cementation", "Cementation"
        SLIMES_RECOVERY = "slimes_recovery", "Slimes recovery"
        FINE_MELT = "fine_melt", "Fine melt"
        SHIPPING = "shipping", "Shipping"
        STORE = "store", "Store"

    sequence = models.BigIntegerField(unique=True)
    kind = models.CharField(max_length=20, choices=Kind.choices, db_index=True)
    stage = models.CharField(max_length=16, choices=Stage.choices)
    cause = models.CharField(max_length=40, blank=True)
    occurred_at = models.DateTimeField(db_index=True)
    recorded_at = models.DateTimeField(db_index=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    counterparty = models.ForeignKey(
        Party, on_delete=models.PROTECT, null=True, blank=True, related_name="movements"
    )
    reverses = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="reversed_by"
    )
    refers_to = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="referred_from"
    )
    note = models.CharField(max_length=500, blank=True)
    digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["-sequence"]
        indexes = [models.Index(fields=["stage", "occurred_at"], name="movement_stage_occurred")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.sequence}"


class Entry(models.Model):
    """Micrograms of one metal into (positive) or out of (negative) one lot or outside account."""

    class Basis(models.TextChoices):
        """What the figure rests on."""

        MEASURED = "measured", "Measured"
        DECLARED = "declared", "Declared"
        PROPORTION = "proportion", "In proportion"
        DIFFERENCE = "difference", "By difference"
        COMPUTED = "computed", "Computed"

    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="entries")
    lot = models.ForeignKey(
        Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="entries", db_index=False
    )
    account = models.ForeignKey(
        Account,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="entries",
        db_index=False,
    )
    owner = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="+", db_index=False)
    metal = models.CharField(max_length=2, choices=Metal.choices)
    mass_ug = models.BigIntegerField()
    standard_uncertainty_ug = models.BigIntegerField(null=True, blank=True)
    basis = models.CharField(max_length=12, choices=Basis.choices)
    quantity_by = models.ForeignKey(
        Measurement, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    content_by = models.ForeignKey(
        Assay, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["movement_id", "id"]
        verbose_name_plural = "entries"
        constraints = [
            models.CheckConstraint(
                condition=Q(lot__isnull=True) ^ Q(account__isnull=True),
                name="entry_lot_or_account",
            ),
            models.CheckConstraint(condition=~Q(mass_ug=0), name="entry_not_zero"),
        ]
        indexes = [
            models.Index(
                fields=["lot", "metal", "occurred_at", "recorded_at", "mass_ug"],
                name="entry_lot_balance",
            ),
            models.Index(
                fields=["account", "metal", "occurred_at", "mass_ug"], name="entry_account_balance"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mass_ug:+d} ug {self.metal} {self.lot or self.account}"


class ClaimEntry(models.Model):
    """Micrograms added to (or taken from) what an owner has in the works' pool."""

    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="claim_entries")
    owner = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="claim_entries")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    mass_ug = models.BigIntegerField()
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["movement_id", "id"]
        verbose_name_plural = "claim entries"
        constraints = [models.CheckConstraint(condition=~Q(mass_ug=0), name="claim_not_zero")]
        indexes = [
            models.Index(
                fields=["owner", "metal", "occurred_at", "mass_ug"], name="claim_owner_balance"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mass_ug:+d} ug {self.metal} for {self.owner}"


class MaterialEntry(models.Model):
    """A change of a lot's own mass and volume, whatever it is made of."""

    movement = models.ForeignKey(
        Movement, on_delete=models.PROTECT, related_name="material_entries"
    )
    lot = models.ForeignKey(
        Lot, on_delete=models.PROTECT, related_name="material_entries", db_index=False
    )
    mass_ug = models.BigIntegerField(default=0)
    volume_ul = models.BigIntegerField(default=0)
    quantity_by = models.ForeignKey(
        Measurement, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["movement_id", "id"]
        verbose_name_plural = "material entries"
        indexes = [
            models.Index(
                fields=["lot", "occurred_at", "mass_ug", "volume_ul"], name="material_lot_balance"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mass_ug:+d} ug {self.volume_ul:+d} ul {self.lot}"


class LotStanding(models.Model):
    """From this movement on the lot stands at `place` and belongs to `owner`."""

    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="standings")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="standings", db_index=False)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    owner = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="+")
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()

    class Meta:
        ordering = ["occurred_at", "id"]
        indexes = [models.Index(fields=["lot", "occurred_at", "id"], name="standing_lot_time")]

    def __str__(self) -> str:
        return f"{self.lot} at {self.place} for {self.owner}"


class Excess(Sealed):
    """Metal an output measured above the book, drawn from a difference account until explained."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        EXPLAINED = "explained", "Explained"

    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="excesses")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="excesses")
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    excess_ug = models.BigIntegerField()
    limit_of_error_ug = models.BigIntegerField(null=True, blank=True)
    state = models.CharField(
        max_length=10, choices=State.choices, default=State.OPEN, db_index=True
    )
    explanation = models.CharField(max_length=500, blank=True)
    explained_at = models.DateTimeField(null=True, blank=True)
    explained_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["state", "-id"]
        verbose_name_plural = "excesses"
        constraints = [
            models.CheckConstraint(condition=Q(excess_ug__gt=0), name="excess_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.metal} {self.excess_ug} ug over book in {self.movement}"


class RecordedRequest(models.Model):
    """A request that changed something, by its key, so that a repeat changes nothing."""

    key = models.CharField(max_length=80, unique=True)
    action = models.CharField(max_length=60)
    fingerprint = models.CharField(max_length=64)
    result_model = models.CharField(max_length=60)
    result_pk = models.BigIntegerField()
    answer = models.JSONField(null=True, blank=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.action} {self.key}"
