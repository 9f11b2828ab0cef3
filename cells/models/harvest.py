"""The crystal taken from a run: rinsed, tested, dried and weighed."""

from __future__ import annotations

from django.db import models

from cells.models.run import CellRun
from lots.metals import Metal
from lots.models import Lot, Movement, Weighing
from lots.models.sealed import Sealed


class Harvest(Sealed):
    """One run's crystal, with the silver that Faraday's law expects beside it."""

    run = models.ForeignKey(CellRun, on_delete=models.PROTECT, related_name="harvests")
    lot = models.OneToOneField(Lot, on_delete=models.PROTECT, related_name="harvest")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="harvest")
    weighing = models.OneToOneField(Weighing, on_delete=models.PROTECT, related_name="harvest")
    harvested_at = models.DateTimeField(db_index=True)
    rinse_count = models.PositiveSmallIntegerField()
    chloride_clear = models.BooleanField(
        help_text="The last rinse showed no silver chloride with a drop of acid."
    )
    dry = models.BooleanField(help_text="A cold spoon over the warm crystal stayed dry.")
    tests_waived = models.CharField(
        max_length=200, blank=True, help_text="Why the crystal was accepted without a test."
    )
    expected_silver_ug = models.BigIntegerField(help_text="By Faraday's law, all charge plating.")
    expected_silver_u_ug = models.BigIntegerField()
    torn = models.BooleanField(default=False)

    class Meta:
        ordering = ["-harvested_at", "-id"]

    def __str__(self) -> str:
        return f"harvest of {self.run}"


class HarvestBalance(Sealed):
    """One metal's way at a harvest: what dissolved, and where the crystal's metal came from."""

    harvest = models.ForeignKey(Harvest, on_delete=models.PROTECT, related_name="balances")
    metal = models.CharField(max_length=2, choices=Metal.choices)
    dissolved_ug = models.BigIntegerField(help_text="From the charge into the electrolyte.")
    from_solution_ug = models.BigIntegerField(help_text="From the electrolyte into the crystal.")
    fallen_ug = models.BigIntegerField(help_text="From a torn bag into the crystal.")
    excess_ug = models.BigIntegerField(help_text="In the crystal, but in neither by the book.")

    class Meta:
        ordering = ["harvest_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["harvest", "metal"], name="harvest_balance_one_a_metal"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.metal} of {self.harvest}"
