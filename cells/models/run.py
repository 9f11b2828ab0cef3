"""A cell run from charge to closing, its readings, and the charge they add up to."""

from __future__ import annotations

from typing import Final

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from cells.models.cell import Cell
from cells.models.electrolyte import ElectrolyteBatch
from lots.models import Lot, Measurement, Movement
from lots.models.sealed import Sealed


class CellRun(Sealed):
    """One operation of a cell. Until it is harvested the charge's metal stands in `charge_lot`."""

    class State(models.TextChoices):
        CHARGED = "charged", "Charged"
        RUNNING = "running", "Running"
        STOPPED = "stopped", "Stopped"
        HARVESTED = "harvested", "Harvested"
        CLOSED = "closed", "Closed"
        WITHDRAWN = "withdrawn", "Withdrawn"

    code = models.CharField(max_length=20, unique=True)
    cell = models.ForeignKey(Cell, on_delete=models.PROTECT, related_name="runs")
    electrolyte = models.ForeignKey(ElectrolyteBatch, on_delete=models.PROTECT, related_name="runs")
    use_number = models.PositiveIntegerField(help_text="Which use of the electrolyte this is.")
    charge_lot = models.OneToOneField(Lot, on_delete=models.PROTECT, related_name="cell_run")
    state = models.CharField(
        max_length=10, choices=State.choices, default=State.CHARGED, db_index=True
    )
    charged_at = models.DateTimeField(db_index=True)
    charged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    started_at = models.DateTimeField(null=True, blank=True)
    stopped_at = models.DateTimeField(null=True, blank=True)
    harvested_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    coulomb_count = models.ForeignKey(
        "CoulombCount", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closing_movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="closes_run"
    )
    copper_acknowledged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    copper_acknowledgement = models.CharField(max_length=200, blank=True)
    bag_torn = models.BooleanField(default=False)
    note = models.CharField(max_length=500, blank=True)
    warnings_at = models.DateTimeField(
        null=True, blank=True, help_text="When the warning rules were last tried on it."
    )
    exhausted_at = models.DateTimeField(
        null=True, blank=True, help_text="When its anode will be, as then foretold."
    )
    exhausted_low_at = models.DateTimeField(null=True, blank=True)
    exhausted_high_at = models.DateTimeField(null=True, blank=True)
    estimated = models.JSONField(
        null=True,
        blank=True,
        help_text="When closed: what the bath held and what the run teaches, as estimated.",
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-charged_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["cell"],
                condition=Q(state__in=["charged", "running", "stopped", "harvested"]),
                name="cell_run_one_unfinished_a_cell",
            ),
            models.UniqueConstraint(
                fields=["electrolyte"],
                condition=Q(state__in=["charged", "running", "stopped", "harvested"]),
                name="cell_run_one_unfinished_an_electrolyte",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_unfinished(self) -> bool:
        return self.state in UNFINISHED


UNFINISHED: Final = (
    CellRun.State.CHARGED,
    CellRun.State.RUNNING,
    CellRun.State.STOPPED,
    CellRun.State.HARVESTED,
)
# While the current has flowed and nothing is harvested, the electrolyte is not what the book says.
UNDER_WAY: Final = (CellRun.State.RUNNING, CellRun.State.STOPPED)
# What may hang at the anode.
CHARGED_FORMS: Final = (
    Lot.Form.FEED,
    Lot.Form.GRANULES,
    Lot.Form.ANODE_REMNANT,
    Lot.Form.CEMENT_SILVER,
    Lot.Form.FINE_CRYSTAL,
    Lot.Form.BAR,
)


class RunMovement(Sealed):
    """Which run a movement belongs to, and the lot it made, if any."""

    run = models.ForeignKey(CellRun, on_delete=models.PROTECT, related_name="run_movements")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="run_movement")
    lot = models.ForeignKey(
        Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="run_movements"
    )

    class Meta:
        ordering = ["run_id", "id"]

    def __str__(self) -> str:
        return f"{self.movement} of {self.run}"


class RunReading(Sealed):
    """The cell's instruments at one moment.

    `is_interruption` says that the power went off then: no current flows until the next reading.
    """

    run = models.ForeignKey(CellRun, on_delete=models.PROTECT, related_name="readings")
    taken_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    current_a = models.DecimalField(max_digits=9, decimal_places=4)
    voltage_v = models.DecimalField(max_digits=8, decimal_places=4, null=True, blank=True)
    temperature_c = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    silver_g_per_l = models.DecimalField(max_digits=10, decimal_places=4, null=True, blank=True)
    copper_g_per_l = models.DecimalField(max_digits=10, decimal_places=4, null=True, blank=True)
    free_acid_g_per_l = models.DecimalField(max_digits=10, decimal_places=4, null=True, blank=True)
    is_interruption = models.BooleanField(default=False)
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["run_id", "taken_at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(current_a__gte=0), name="run_reading_current"),
        ]
        indexes = [models.Index(fields=["run", "taken_at"], name="run_reading_run_taken")]

    def __str__(self) -> str:
        return f"{self.run} {self.taken_at:%Y-%m-%d %H:%M} {self.current_a} A"

    @property
    def withdrawn(self) -> str | None:
        """Why it counts no more; None for a reading that counts."""
        withdrawal = getattr(self, "withdrawal", None)
        return None if withdrawal is None else str(withdrawal.reason)


class ReadingWithdrawal(Sealed):
    """A reading found wrong: it stays on record, and counts no more."""

    reading = models.OneToOneField(RunReading, on_delete=models.PROTECT, related_name="withdrawal")
    reason = models.CharField(max_length=200)
    withdrawn_at = models.DateTimeField()
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-withdrawn_at", "-id"]

    def __str__(self) -> str:
        return f"withdrawn: {self.reading}"


class PowerStatement(Sealed):
    """Somebody's word that the power was on all the time between two moments of a run.

    It says nothing of how much current flowed: it makes of a gap in the readings an interval.
    """

    run = models.ForeignKey(CellRun, on_delete=models.PROTECT, related_name="power_statements")
    since = models.DateTimeField()
    until = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["run_id", "since", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(since__lt=F("until")), name="power_statement_ordered"
            )
        ]

    def __str__(self) -> str:
        return f"{self.run}: on from {self.since:%Y-%m-%d %H:%M} to {self.until:%Y-%m-%d %H:%M}"

    @property
    def withdrawn(self) -> str | None:
        """Why it counts no more; None for one that counts."""
        withdrawal = getattr(self, "withdrawal", None)
        return None if withdrawal is None else str(withdrawal.reason)


class PowerStatementWithdrawal(Sealed):
    """A statement found wrong: it stays on record, and counts no more."""

    statement = models.OneToOneField(
        PowerStatement, on_delete=models.PROTECT, related_name="withdrawal"
    )
    reason = models.CharField(max_length=200)
    withdrawn_at = models.DateTimeField()
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-withdrawn_at", "-id"]

    def __str__(self) -> str:
        return f"withdrawn: {self.statement}"


class CoulombCount(Measurement):
    """The charge counted from a run's readings; what gaps may hold stands beside it.

    `ampere_hours` leaves out the gaps. `gaps_ah` is the straight line across them.
    """

    run = models.ForeignKey(CellRun, on_delete=models.PROTECT, related_name="coulomb_counts")
    ampere_hours = models.DecimalField(max_digits=14, decimal_places=6)
    standard_uncertainty_ah = models.DecimalField(max_digits=14, decimal_places=6)
    powered_h = models.DecimalField(max_digits=12, decimal_places=4)
    reading_count = models.PositiveIntegerField()
    gap_count = models.PositiveIntegerField(default=0)
    gap_h = models.DecimalField(max_digits=12, decimal_places=4, default=0)
    gaps_ah = models.DecimalField(max_digits=14, decimal_places=6, default=0)
    total_uncertainty_ah = models.DecimalField(
        max_digits=14, decimal_places=6, help_text="With the gaps' own uncertainty taken in."
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ampere_hours__gte=0)
                & Q(standard_uncertainty_ah__gte=0)
                & Q(gaps_ah__gte=0),
                name="coulomb_count_not_negative",
            ),
        ]
