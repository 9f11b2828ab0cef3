"""Lists and single things of the cells, read only but for the cells themselves."""

from __future__ import annotations

import django_filters as filters

from cells.api import serializers as shown
from cells.models import Cell, CellRun, CellWarning, SlimesBag
from cells.services import cell_reference
from lots.api.listed import Span, listed, narrowed
from lots.api.reference import VersionedEdits
from lots.metals import Metal


class CellViewSet(VersionedEdits):
    """The cells with their limits; edited by the office under a version check."""

    queryset = Cell.objects.select_related("place")
    serializer_class = shown.CellSerializer
    filterset_class = narrowed(Cell, place="place__code", is_active=bool)
    search_fields = ["code", "name"]
    ordering_fields = ["code", "name"]
    ordering = ["name", "id"]
    subject = "cell"
    details = cell_reference.CellDetails
    create_service = cell_reference.create_cell
    edit_service = cell_reference.edit_cell


LISTS = {
    "electrolytes": listed(
        shown.ElectrolyteSerializer,
        {
            "cell": "cell__code",
            "place": "lot__place__code",
            "state": "lot__state",
            "use_number": filters.NumberFilter(min_value=0, max_value=10**6),
        },
        search="lot__code lot__description",
        orders="use_number",
        order="-id",
        coded=True,
    ),
    "electrolyte-readings": listed(
        shown.ElectrolyteReadingSerializer,
        {"batch": "batch__lot__code", "taken": Span("taken_at")},
        search="batch__lot__code note",
        orders="taken_at",
        order="-taken_at -id",
    ),
    "runs": listed(
        shown.RunSerializer,
        {
            "cell": "cell__code",
            "electrolyte": "electrolyte__lot__code",
            "state": CellRun.State,
            "bag_torn": bool,
            "charged": Span("charged_at"),
        },
        related="coulomb_count",
        search="code note charge_lot__code",
        orders="charged_at started_at closed_at code",
        order="-charged_at -id",
        coded=True,
    ),
    "run-readings": listed(
        shown.RunReadingSerializer,
        {"run": "run__code", "taken": Span("taken_at")},
        related="withdrawal",
        search="run__code note",
        orders="taken_at current_a",
        order="-taken_at -id",
    ),
    "power-statements": listed(
        shown.PowerStatementSerializer,
        {"run": "run__code", "since": Span("since")},
        related="withdrawal",
        search="run__code note",
        orders="since",
        order="-since -id",
    ),
    "harvests": listed(
        shown.HarvestSerializer,
        {
            "run": "run__code",
            "cell": "run__cell__code",
            "torn": bool,
            "harvested": Span("harvested_at"),
        },
        prefetched="balances",
        search="run__code lot__code",
        orders="harvested_at",
        order="-harvested_at -id",
    ),
    "slimes-bags": listed(
        shown.SlimesBagSerializer,
        {
            "state": SlimesBag.State,
            "run": "run__code",
            "place": "lot__place__code",
            "torn": bool,
            "metal": filters.ChoiceFilter(
                field_name="estimates__metal", choices=Metal.choices, distinct=True
            ),
            "bagged": Span("bagged_at"),
        },
        prefetched="estimates",
        search="lot__code run__code",
        orders="bagged_at state",
        order="bagged_at id",
        coded=True,
    ),
    "cell-warnings": listed(
        shown.WarningSerializer,
        {"run": "run__code", "rule": "rule", "state": CellWarning.State},
        search="run__code message",
        orders="raised_at state",
        order="-raised_at -id",
    ),
    "recovery-outcomes": listed(
        shown.RecoveryOutcomeSerializer,
        {
            "bag": "bag__lot__code",
            "batch": "process_batch__code",
            "run": "bag__run__code",
            "metal": Metal,
        },
        related="closing__reversed_by",
        search="bag__lot__code process_batch__code",
        orders="closing metal",
        order="-closing_id bag_id id",
    ),
}
