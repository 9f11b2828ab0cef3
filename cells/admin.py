"""Cells are edited here; what happened in them is shown and never changed."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib import admin
from django.db.models import Model
from django.http import HttpRequest

from cells.models import (
    Cell,
    CellRun,
    CellWarning,
    CoulombCount,
    ElectrolyteBatch,
    ElectrolyteReading,
    Harvest,
    HarvestBalance,
    ReadingWithdrawal,
    RecoveryOutcome,
    RunMovement,
    RunReading,
    SlimesBag,
    SlimesEstimate,
)


class _ReadOnly:
    """Facts: their only way in is a service."""

    def has_add_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False


@admin.register(Cell)
class CellAdmin(admin.ModelAdmin):  # type: ignore[type-arg]
    list_display = (
        "name",
        "place",
        "copper_limit_g_per_l",
        "current_limit_a",
        "fuse_rating_a",
        "is_active",
    )
    list_filter = ("is_active",)
    search_fields = ("code", "name")
    readonly_fields = ("version",)

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def save_model(self, request: HttpRequest, obj: Cell, form: Any, change: bool) -> None:
        if change:
            obj.version += 1
        super().save_model(request, obj, form, change)


class RunMovementInline(_ReadOnly, admin.TabularInline):  # type: ignore[type-arg]
    model = RunMovement
    extra = 0


@admin.register(CellRun)
class CellRunAdmin(_ReadOnly, admin.ModelAdmin):  # type: ignore[type-arg]
    list_display = ("code", "cell", "electrolyte", "use_number", "state", "charged_at")
    list_filter = ("state", "cell")
    search_fields = ("code", "charge_lot__code", "electrolyte__lot__code")
    list_select_related = ("cell", "electrolyte__lot")
    inlines: ClassVar = [RunMovementInline]


@admin.register(ElectrolyteBatch)
class ElectrolyteBatchAdmin(_ReadOnly, admin.ModelAdmin):  # type: ignore[type-arg]
    list_display = ("lot", "cell", "use_number")
    search_fields = ("lot__code",)
    list_select_related = ("lot", "cell")


@admin.register(RunReading)
class RunReadingAdmin(_ReadOnly, admin.ModelAdmin):  # type: ignore[type-arg]
    list_display = ("run", "taken_at", "current_a", "voltage_v", "is_interruption")
    search_fields = ("run__code",)
    list_select_related = ("run",)


@admin.register(SlimesBag)
class SlimesBagAdmin(_ReadOnly, admin.ModelAdmin):  # type: ignore[type-arg]
    list_display = ("lot", "run", "state", "bagged_at", "torn", "process_batch")
    list_filter = ("state", "torn")
    search_fields = ("lot__code", "run__code")
    list_select_related = ("lot", "run", "process_batch")


@admin.register(CellWarning)
class CellWarningAdmin(_ReadOnly, admin.ModelAdmin):  # type: ignore[type-arg]
    list_display = ("run", "rule", "subject", "severity", "state", "raised_at")
    list_filter = ("state", "severity", "rule")
    list_select_related = ("run",)


@admin.register(
    CoulombCount,
    ElectrolyteReading,
    Harvest,
    HarvestBalance,
    ReadingWithdrawal,
    RecoveryOutcome,
    SlimesEstimate,
)
class FactAdmin(_ReadOnly, admin.ModelAdmin):  # type: ignore[type-arg]
    pass
