"""Physical counts: blind sheets, what was found of each lot, and adjustments proposed from it."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from lots.metals import Metal
from lots.models import Assay, Lot, Measurement, Movement, Place
from lots.models.sealed import Sealed
from reports.models.approval import Approval, two_people
from reports.models.months import MonthEnd


class CountSheet(Sealed):
    """The lots to be counted at one place, as the books have them standing there at `as_of`."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        COUNTED = "counted", "Counted"

    code = models.CharField(max_length=20, unique=True)
    month_end = models.ForeignKey(MonthEnd, on_delete=models.PROTECT, related_name="count_sheets")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    as_of = models.DateTimeField()
    state = models.CharField(max_length=7, choices=State.choices, default=State.OPEN, db_index=True)
    opened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    opened_at = models.DateTimeField()
    note = models.CharField(max_length=500, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-opened_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["month_end", "place"], name="count_sheet_one_a_place_and_month"
            ),
        ]

    def __str__(self) -> str:
        return self.code


class CountLine(Sealed):
    """One lot of a sheet. A recount is a new line that refers to the one it supersedes."""

    class Method(models.TextChoices):
        NOT_YET = "", "Not yet counted"
        WEIGHED = "weighed", "Weighed"
        VOLUME = "volume", "Volume measured"
        SIGHTED = "sighted", "Sighted, seal intact"
        MISSING = "missing", "Not found"

    sheet = models.ForeignKey(CountSheet, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="count_lines")
    recount_of = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="recounted_by"
    )
    method = models.CharField(max_length=8, choices=Method.choices, blank=True, default="")
    measurement = models.ForeignKey(
        Measurement, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    assay = models.ForeignKey(
        Assay, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    book_mass_ug = models.BigIntegerField(null=True, blank=True)
    book_volume_ul = models.BigIntegerField(null=True, blank=True)
    counted_mass_ug = models.BigIntegerField(null=True, blank=True)
    counted_volume_ul = models.BigIntegerField(null=True, blank=True)
    counted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    counted_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["sheet_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["sheet", "lot"],
                condition=Q(recount_of__isnull=True),
                name="count_line_one_a_lot",
            ),
            models.CheckConstraint(
                condition=Q(method="") ^ Q(counted_by__isnull=False),
                name="count_line_counted_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} on {self.sheet}"

    @property
    def is_counted(self) -> bool:
        return bool(self.method)


class CountedMetal(Sealed):
    """Of one metal: what the book held when the count was entered, and what was counted."""

    line = models.ForeignKey(CountLine, on_delete=models.PROTECT, related_name="metals")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    book_ug = models.BigIntegerField()
    counted_ug = models.BigIntegerField()
    difference_ug = models.BigIntegerField()
    standard_uncertainty_ug = models.BigIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["line_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["line", "metal"], name="counted_metal_one_a_line"),
            models.CheckConstraint(
                condition=Q(difference_ug=F("book_ug") - F("counted_ug")),
                name="counted_metal_book_less_physical",
            ),
            models.CheckConstraint(
                condition=Q(counted_ug__gte=0), name="counted_metal_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.metal} {self.difference_ug:+d} ug book less physical"


class CountAdjustment(Approval):
    """A proposal to bring the book of one lot to its count; a second person decides on it."""

    acts = "Proposed and decided"

    class Cause(models.TextChoices):
        UNEXPLAINED = "unexplained", "Unexplained"
        SPILLAGE = "spillage", "Spillage"
        LEFT_IN_EQUIPMENT = "left_in_equipment", "Left in equipment"
        WEIGHING_ERROR = "weighing_error", "Weighing error"
        ASSAY_ERROR = "assay_error", "Assay error"
        RECORDING_ERROR = "recording_error", "Recording error"
        EVAPORATION = "evaporation", "Evaporation"

    class State(models.TextChoices):
        PROPOSED = "proposed", "Proposed"
        POSTED = "posted", "Posted"
        DECLINED = "declined", "Declined"
        REVERSED = "reversed", "Reversed"

    line = models.ForeignKey(CountLine, on_delete=models.PROTECT, related_name="adjustments")
    cause = models.CharField(max_length=20, choices=Cause.choices)
    note = models.CharField(max_length=500, blank=True)
    state = models.CharField(
        max_length=8, choices=State.choices, default=State.PROPOSED, db_index=True
    )
    proposed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    proposed_at = models.DateTimeField()
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    movement = models.OneToOneField(
        Movement,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="count_adjustment",
    )

    class Meta:
        ordering = ["-proposed_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["line"],
                condition=Q(state__in=["proposed", "posted"]),
                name="count_adjustment_one_at_a_time",
            ),
            two_people("count_adjustment_decision", "proposed_by", "decided_by"),
            models.CheckConstraint(
                condition=~Q(state="posted") | Q(movement__isnull=False),
                name="count_adjustment_posted_has_movement",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_state_display()} adjustment of {self.line}"
