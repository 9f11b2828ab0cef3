"""Lists and single things of the cells, read only but for the cells themselves."""

from __future__ import annotations

from rest_framework.viewsets import ReadOnlyModelViewSet

from cells.api import filters
from cells.api.serializers import (
    CellSerializer,
    ElectrolyteReadingSerializer,
    ElectrolyteSerializer,
    HarvestSerializer,
    RecoveryOutcomeSerializer,
    RunReadingSerializer,
    RunSerializer,
    SlimesBagSerializer,
    WarningSerializer,
)
from cells.models import (
    Cell,
    CellRun,
    CellWarning,
    ElectrolyteBatch,
    ElectrolyteReading,
    Harvest,
    RecoveryOutcome,
    RunReading,
    SlimesBag,
)
from cells.services import cell_reference
from lots.api.reference import VersionedEdits

CODE = "[A-Za-z0-9-]{1,20}"
NUMBER = "[0-9]{1,18}"


class CellViewSet(VersionedEdits):
    """The cells with their limits; edited by the office under a version check."""

    queryset = Cell.objects.select_related("place")
    serializer_class = CellSerializer
    filterset_class = filters.CellFilter
    search_fields = ["code", "name"]
    ordering_fields = ["code", "name"]
    ordering = ["name", "id"]
    subject = "cell"
    details = cell_reference.CellDetails
    create_service = cell_reference.create_cell
    edit_service = cell_reference.edit_cell


class ElectrolyteViewSet(ReadOnlyModelViewSet[ElectrolyteBatch]):
    queryset = ElectrolyteBatch.objects.select_related("lot__place", "cell")
    serializer_class = ElectrolyteSerializer
    filterset_class = filters.ElectrolyteFilter
    lookup_field = "lot__code"
    lookup_url_kwarg = "code"
    lookup_value_regex = CODE
    search_fields = ["lot__code", "lot__description"]
    ordering_fields = ["use_number"]
    ordering = ["-id"]


class ElectrolyteReadingViewSet(ReadOnlyModelViewSet[ElectrolyteReading]):
    queryset = ElectrolyteReading.objects.select_related("batch__lot", "volume", "movement")
    serializer_class = ElectrolyteReadingSerializer
    filterset_class = filters.ElectrolyteReadingFilter
    lookup_value_regex = NUMBER
    search_fields = ["batch__lot__code", "note"]
    ordering_fields = ["taken_at"]
    ordering = ["-taken_at", "-id"]


class RunViewSet(ReadOnlyModelViewSet[CellRun]):
    queryset = CellRun.objects.select_related(
        "cell", "electrolyte__lot", "charge_lot", "closing_movement", "coulomb_count"
    )
    serializer_class = RunSerializer
    filterset_class = filters.RunFilter
    lookup_field = "code"
    lookup_value_regex = CODE
    search_fields = ["code", "note", "charge_lot__code"]
    ordering_fields = ["charged_at", "started_at", "closed_at", "code"]
    ordering = ["-charged_at", "-id"]


class RunReadingViewSet(ReadOnlyModelViewSet[RunReading]):
    queryset = RunReading.objects.select_related("run", "withdrawal")
    serializer_class = RunReadingSerializer
    filterset_class = filters.RunReadingFilter
    lookup_value_regex = NUMBER
    search_fields = ["run__code", "note"]
    ordering_fields = ["taken_at", "current_a"]
    ordering = ["-taken_at", "-id"]


class HarvestViewSet(ReadOnlyModelViewSet[Harvest]):
    queryset = Harvest.objects.select_related(
        "run", "lot", "movement", "weighing"
    ).prefetch_related("balances")
    serializer_class = HarvestSerializer
    filterset_class = filters.HarvestFilter
    lookup_value_regex = NUMBER
    search_fields = ["run__code", "lot__code"]
    ordering_fields = ["harvested_at"]
    ordering = ["-harvested_at", "-id"]


class SlimesBagViewSet(ReadOnlyModelViewSet[SlimesBag]):
    queryset = SlimesBag.objects.select_related(
        "lot__place", "run", "process_batch"
    ).prefetch_related("estimates")
    serializer_class = SlimesBagSerializer
    filterset_class = filters.SlimesBagFilter
    lookup_field = "lot__code"
    lookup_url_kwarg = "code"
    lookup_value_regex = CODE
    search_fields = ["lot__code", "run__code"]
    ordering_fields = ["bagged_at", "state"]
    ordering = ["bagged_at", "id"]


class WarningViewSet(ReadOnlyModelViewSet[CellWarning]):
    queryset = CellWarning.objects.select_related("run")
    serializer_class = WarningSerializer
    filterset_class = filters.WarningFilter
    lookup_value_regex = NUMBER
    search_fields = ["run__code", "message"]
    ordering_fields = ["raised_at", "state"]
    ordering = ["-raised_at", "-id"]


class RecoveryOutcomeViewSet(ReadOnlyModelViewSet[RecoveryOutcome]):
    queryset = RecoveryOutcome.objects.select_related(
        "bag__lot", "process_batch", "closing__reversed_by"
    )
    serializer_class = RecoveryOutcomeSerializer
    filterset_class = filters.RecoveryOutcomeFilter
    lookup_value_regex = NUMBER
    search_fields = ["bag__lot__code", "process_batch__code"]
    ordering_fields = ["closing", "metal"]
    ordering = ["-closing_id", "bag_id", "id"]
