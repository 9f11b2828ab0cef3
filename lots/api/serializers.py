"""Lots, movements, measurements and papers as the API shows them."""

from __future__ import annotations

from typing import Any, Final

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from lots import models
from lots.api.fields import ShownMass, ShownMetals, show_volume, shown_code
from lots.api.listed import shows
from lots.ledger.holdings import Holding, holding
from lots.people.token_list import is_outlived

RulingSerializer = shows("Ruling", models.AssayRuling, "id lot assay reason decided_at decided_by")
WithdrawalSerializer = shows(
    "Withdrawal", models.Withdrawal, "id measurement assay reason withdrawn_at withdrawn_by"
)


class LotSerializer(serializers.ModelSerializer[models.Lot]):
    """A lot with what it holds; a list gives the holdings of its page through the context."""

    owner = shown_code()
    place = shown_code()
    received_from = shown_code()
    metals = serializers.SerializerMethodField()
    mass = serializers.SerializerMethodField()
    volume = serializers.SerializerMethodField()

    class Meta:
        model = models.Lot
        fields = [
            "code",
            "form",
            "description",
            "owner",
            "place",
            "state",
            "state_reason",
            "content",
            "received_from",
            "registered_at",
            "metals",
            "mass",
            "volume",
            "version",
        ]
        read_only_fields = fields

    def _holding(self, lot: models.Lot) -> Holding:
        known: dict[int, Holding] = self.context.get("holdings") or {}
        return known.get(lot.pk) or holding(lot)

    @extend_schema_field(ShownMetals)
    def get_metals(self, lot: models.Lot) -> dict[str, Any]:
        return dict(ShownMetals().to_representation(self._holding(lot).metals))

    @extend_schema_field(ShownMass)
    def get_mass(self, lot: models.Lot) -> dict[str, Any]:
        return dict(ShownMass().to_representation(self._holding(lot).mass_ug))

    @extend_schema_field({"type": "object", "properties": {"ul": {"type": "integer"}}})
    def get_volume(self, lot: models.Lot) -> dict[str, Any]:
        return show_volume(self._holding(lot).volume_ul)


EntrySerializer = shows(
    "Entry",
    models.Entry,
    "lot account owner metal mass standard_uncertainty_ug basis quantity_by content_by",
)
ClaimEntrySerializer = shows("ClaimEntry", models.ClaimEntry, "owner metal mass")
MaterialEntrySerializer = shows(
    "MaterialEntry", models.MaterialEntry, "lot mass volume_ul quantity_by"
)
StandingSerializer = shows("Standing", models.LotStanding, "lot place owner")


def _reversed_by(movement: models.Movement) -> int | None:
    reversal = getattr(movement, "reversed_by", None)
    return None if reversal is None else int(reversal.sequence)


MovementSerializer = shows(
    "Movement",
    models.Movement,
    "sequence kind stage cause occurred_at recorded_at recorded_by counterparty reverses "
    "reversed_by refers_to note digest entries claims materials standings",
    "A movement with every line of it.",
    reversed_by=_reversed_by,
    entries=EntrySerializer(many=True, read_only=True),
    claims=ClaimEntrySerializer(many=True, read_only=True, source="claim_entries"),
    materials=MaterialEntrySerializer(many=True, read_only=True, source="material_entries"),
    standings=StandingSerializer(many=True, read_only=True),
)


def _warnings(weighing: models.Weighing) -> list[str]:
    if not weighing.calibration_overdue:
        return []
    return [f"Balance {weighing.balance} was past its calibration date."]


def _withdrawn(measured: models.Weighing | models.Assay) -> str | None:
    withdrawal = getattr(measured, "withdrawal", None)
    return None if withdrawal is None else str(withdrawal.reason)


WeighingSerializer = shows(
    "Weighing",
    models.Weighing,
    "id lot purpose balance gross tare net standard_uncertainty calibration_overdue warnings "
    "withdrawn entered_as taken_at recorded_at taken_by note",
    net=ShownMass(source="net_ug"),
    warnings=_warnings,
    withdrawn=_withdrawn,
)
VolumeReadingSerializer = shows(
    "VolumeReading",
    models.VolumeReading,
    "id lot volume_ul standard_uncertainty_ul taken_at recorded_at note",
)
AssayResultSerializer = shows("AssayResult", models.AssayResult, "metal value standard_uncertainty")


def _rules(assay: models.Assay) -> bool:
    rulings = [
        ruling for ruling in assay.lot.rulings.all() if not hasattr(ruling.movement, "reversed_by")
    ]
    latest = max(rulings, key=lambda each: (each.decided_at, each.pk), default=None)
    return latest is not None and latest.assay_id == assay.pk


AssaySerializer = shows(
    "Assay",
    models.Assay,
    "id lot sample method laboratory side basis certificate taken_at reported_at recorded_at note "
    "results rules withdrawn",
    results=AssayResultSerializer(many=True, read_only=True),
    rules=_rules,
    withdrawn=_withdrawn,
)
ProcessBatchSerializer = shows(
    "ProcessBatch",
    models.ProcessBatch,
    "code kind state vessel owner started_at closed_at closing_movement note version",
    owner="vessel.owner.code",
)
DocumentSerializer = shows(
    "Document",
    models.Document,
    "id lot party kind retention_until name content_type size_bytes sha256 added_at",
)
ExcessSerializer = shows(
    "Excess",
    models.Excess,
    "id movement lot account metal excess limit_of_error_ug state explanation explained_at",
)
BarRecordSerializer = shows(
    "BarRecord",
    models.BarRecord,
    "id lot mark metal mass gross_ozt gross_rule fineness_ppt fine_ozt fine_basis fine_rule "
    "fine_source weighing assay listed_at listed_by note struck_at struck_reason",
)
ImpuritySerializer = shows(
    "Impurity",
    models.ImpurityAnalysis,
    "id lot laboratory certificate contents reported_at recorded_at note",
    contents=serializers.DictField(source="contents_ppt", read_only=True),
)


def _lots(note: models.DeliveryNote) -> list[str]:
    return [line.lot.code for line in note.lines.all()]


def _movements(note: models.DeliveryNote) -> list[int]:
    return [line.movement.sequence for line in note.lines.all()]


DeliveryNoteSerializer = shows(
    "DeliveryNote",
    models.DeliveryNote,
    "code kind party carrier delivered_at recorded_at delivered_by note lots movements",
    "A note's head and its lots; its document has the weights and the metal.",
    lots=_lots,
    movements=_movements,
)
TOKEN_FIELDS: Final[dict[str, Any]] = {
    "scopes": serializers.ListField(child=serializers.CharField(), read_only=True),
    "password_changed": is_outlived,
}
TokenSerializer = shows(
    "Token",
    models.ApiToken,
    "id user name shown_start scopes created_at expires_at last_used_at revoked_at "
    "password_changed",
    "A token without its key.",
    **TOKEN_FIELDS,
)
ConfirmedFigureSerializer = shows(
    "ConfirmedFigure",
    models.ConfirmedFigure,
    "id recorded_model recorded_pk movement about field figure low high why confirmed_at "
    "confirmed_by explanation",
    "An unlikely figure that was confirmed, with its range; `explanation` is null until somebody "
    "gave one.",
    explanation=serializers.CharField(
        source="explanation.explanation", read_only=True, default=None, allow_null=True
    ),
    confirmed_by=serializers.CharField(source="confirmed_by.username", read_only=True),
)
WorksSettingsSerializer = shows(
    "WorksSettings",
    models.WorksSettings,
    "id one_person reason recorded_at recorded_by",
    "The works' settings from `recorded_at` on; the latest row counts. `recorded_by` is null where "
    "a command on the machine said it.",
    recorded_by=serializers.CharField(source="recorded_by.username", read_only=True, default=None),
)
SubscriptionSerializer = shows(
    "Subscription",
    models.EventSubscription,
    "id name url kinds party is_active stopped_because after delivered last_delivered_at "
    "created_at created_by",
    "A subscription without its secret. `after` is the last event dealt with.",
    kinds=serializers.ListField(child=serializers.CharField(), read_only=True),
)
DeliverySerializer = shows(
    "Delivery",
    models.EventDelivery,
    "id subscription event state tries last_failure first_tried_at last_tried_at next_try_at",
    "An event that did not arrive at once. `event` is its id among the events.",
    event=serializers.IntegerField(source="sequence", read_only=True),
)
