"""Cells, electrolytes, runs, harvests and slimes bags as the API shows them."""

from __future__ import annotations

from rest_framework import serializers

from cells import models
from cells.services.cell_reference import CellDetails
from lots.api.fields import ShownMass, by_code
from lots.api.listed import shows
from lots.api.reference import serializer_of
from lots.models import Place

CellSerializer = serializer_of(
    models.Cell, CellDetails, place=by_code(Place, required=False, allow_null=True)
)


ElectrolyteReadingSerializer = shows(
    "ElectrolyteReading",
    models.ElectrolyteReading,
    "id batch taken_at volume_ul assay free_acid_g_per_l free_acid_u_g_per_l movement note",
    volume_ul=serializers.IntegerField(
        source="volume.volume_ul", read_only=True, allow_null=True, default=None
    ),
)
ElectrolyteSerializer = shows(
    "Electrolyte",
    models.ElectrolyteBatch,
    "code place state description cell use_number version",
    "An electrolyte; what it holds is its lot's, under the same code.",
    code="lot.code",
    place="lot.place.code",
    state="lot.state",
    description="lot.description",
)
CoulombCountSerializer = shows(
    "CoulombCount",
    models.CoulombCount,
    "ampere_hours standard_uncertainty_ah total_uncertainty_ah powered_h reading_count gap_count "
    "gap_h gaps_ah",
)
RunSerializer = shows(
    "Run",
    models.CellRun,
    "code cell electrolyte use_number charge_lot state charged_at started_at stopped_at "
    "harvested_at closed_at coulomb_count closing_movement copper_acknowledgement bag_torn note "
    "version",
    coulomb_count=CoulombCountSerializer(read_only=True, allow_null=True),
)
RunReadingSerializer = shows(
    "RunReading",
    models.RunReading,
    "id run taken_at current_a voltage_v temperature_c silver_g_per_l copper_g_per_l "
    "free_acid_g_per_l is_interruption withdrawn note",
)
PowerStatementSerializer = shows(
    "PowerStatement",
    models.PowerStatement,
    "id run since until recorded_at withdrawn note",
    "Somebody's word that the power was on all the time between two moments of a run.",
)
HarvestBalanceSerializer = shows(
    "HarvestBalance", models.HarvestBalance, "metal dissolved from_solution fallen excess"
)
HarvestSerializer = shows(
    "Harvest",
    models.Harvest,
    "id run lot movement harvested_at dry_weight expected_silver "
    "expected_silver_standard_uncertainty rinse_count chloride_clear dry tests_waived torn "
    "balances",
    "A harvest: the silver weighed beside the silver that Faraday's law expects.",
    dry_weight=ShownMass(source="weighing.net_ug"),
    balances=HarvestBalanceSerializer(many=True, read_only=True),
)
SlimesEstimateSerializer = shows(
    "SlimesEstimate", models.SlimesEstimate, "metal mass standard_uncertainty"
)
SlimesBagSerializer = shows(
    "SlimesBag",
    models.SlimesBag,
    "code run place state bagged_at torn kept_share process_batch estimates version",
    code="lot.code",
    place="lot.place.code",
    estimates=SlimesEstimateSerializer(many=True, read_only=True),
)
WarningSerializer = shows(
    "Warning",
    models.CellWarning,
    "id run rule state subject severity message basis value limit unit raised_at acknowledged_at "
    "acknowledgement cleared_at",
)
RecoveryOutcomeSerializer = shows(
    "RecoveryOutcome",
    models.RecoveryOutcome,
    "id process_batch closing counts bag metal estimated estimated_standard_uncertainty booked "
    "recovered recovered_standard_uncertainty difference",
    """What a recovery found of one metal of one bag; it counts while its closing stands.

    `difference` = booked less recovered: positive is an apparent loss, negative an apparent gain.
    """,
    difference=ShownMass(source="difference_ug"),
)
