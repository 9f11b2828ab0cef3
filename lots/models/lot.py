"""A lot: one labelled body of material, its label numbers and the papers that came with it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from lots.models.reference import Party, Place
from lots.models.sealed import Sealed


class LotNumber(models.Model):
    """The last running number given out for a code prefix in a year."""

    prefix = models.CharField(max_length=4)
    year = models.PositiveSmallIntegerField()
    last_number = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["prefix", "year"], name="lot_number_one_row"),
        ]

    def __str__(self) -> str:
        return f"{self.prefix} {self.year}: {self.last_number}"


class Lot(Sealed):
    """One labelled body of material. What it holds is on the ledger, not here.

    `owner` and `place` repeat the latest standing for lists and filters; `manage.py check_ledger`
    proves them equal to it. They and the state follow from the ledger, and so are not sealed.
    """

    sealed_columns = ("id", "code", "form", "description", "received_from_id", "registered_at")

    class Form(models.TextChoices):
        FEED = "feed", "Feed"
        GRANULES = "granules", "Granules"
        ANODE_CHARGE = "anode_charge", "Anode charge"
        ANODE_REMNANT = "anode_remnant", "Anode remnant"
        SLIMES_BAG = "slimes_bag", "Slimes bag"
        ELECTROLYTE = "electrolyte", "Electrolyte"
        RINSE_WATER = "rinse_water", "Rinse water"
        SOLUTION = "solution", "Solution"
        CEMENT_SILVER = "cement_silver", "Cement silver"
        FINE_CRYSTAL = "fine_crystal", "Fine crystal"
        BAR = "bar", "Bar"
        SAMPLE = "sample", "Sample"
        RESIDUE = "residue", "Residue"
        FINE_GOLD = "fine_gold", "Fine gold"
        PGM_CONCENTRATE = "pgm_concentrate", "PGM concentrate"
        IN_PROCESS = "in_process", "In process"

    class State(models.TextChoices):
        AVAILABLE = "available", "Available"
        IN_PROCESS = "in_process", "In process"
        QUARANTINED = "quarantined", "Quarantined"
        SPENT = "spent", "Spent"
        SHIPPED = "shipped", "Shipped"
        RETURNED = "returned", "Returned"
        WRITTEN_OFF = "written_off", "Written off"

    class Content(models.TextChoices):
        """What the book content rests on."""

        DECLARED = "declared", "Declared"
        ASSAYED = "assayed", "Assayed"
        BY_DIFFERENCE = "by_difference", "By difference"
        BY_PROPORTION = "by_proportion", "By proportion"

    code = models.CharField(max_length=20, unique=True)
    form = models.CharField(max_length=16, choices=Form.choices, db_index=True)
    description = models.CharField(max_length=200, blank=True)
    owner = models.ForeignKey(Party, on_delete=models.PROTECT, related_name="lots")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="lots")
    state = models.CharField(
        max_length=12, choices=State.choices, default=State.AVAILABLE, db_index=True
    )
    state_reason = models.CharField(max_length=200, blank=True)
    content = models.CharField(max_length=16, choices=Content.choices)
    received_from = models.ForeignKey(
        Party, on_delete=models.PROTECT, null=True, blank=True, related_name="lots_received"
    )
    registered_at = models.DateTimeField(db_index=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-registered_at", "-id"]
        indexes = [
            models.Index(fields=["owner", "form"], name="lot_owner_form"),
            models.Index(fields=["place", "form"], name="lot_place_form"),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_measured(self) -> bool:
        """Whether more than the book content can't be taken because the content was measured."""
        return self.content == self.Content.ASSAYED

    @property
    def is_liquid(self) -> bool:
        return self.form in {self.Form.ELECTROLYTE, self.Form.RINSE_WATER, self.Form.SOLUTION}


def document_path(document: Document, filename: str) -> str:
    """Stored under its content hash: a visitor's file name never reaches the disk."""
    return f"documents/{document.sha256[:2]}/{document.sha256}"


class Document(Sealed):
    """A photo or paper about a lot, or about a party, kept as it was uploaded."""

    class Kind(models.TextChoices):
        SOURCE_DECLARATION = "source_declaration", "Declaration of source"
        IDENTITY = "identity", "Proof of identity"
        CONTRACT = "contract", "Contract"
        CERTIFICATE = "certificate", "Certificate"
        OTHER = "other", "Other"

    lot = models.ForeignKey(
        Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="documents"
    )
    party = models.ForeignKey(
        Party, on_delete=models.PROTECT, null=True, blank=True, related_name="documents"
    )
    kind = models.CharField(max_length=18, choices=Kind.choices, default=Kind.OTHER, db_index=True)
    retention_until = models.DateField(
        null=True, blank=True, db_index=True, help_text="Kept at least until the end of this day."
    )
    name = models.CharField(max_length=120)
    content_type = models.CharField(max_length=60)
    size_bytes = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    file = models.FileField(upload_to=document_path, max_length=200)
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["lot_id", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(lot__isnull=True) ^ Q(party__isnull=True),
                name="document_about_one_thing",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} on {self.lot or self.party}"
