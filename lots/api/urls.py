"""Addresses of the lots and ledger API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from lots.api import (
    corrections,
    documents,
    fine_metal,
    lists,
    melts,
    motions,
    ownership,
    process_batches,
    quarantine,
    receipts,
    reference,
    reversals,
    samples,
    shipping,
    traces,
)
from lots.api.serializers import LotSerializer, MovementSerializer
from lots.declaration.as_api import ANSWERS, api_paths
from lots.feed import events_api, webhooks_api
from lots.models import Lot, Movement
from lots.people import tokens_api
from lots.sheets import api

ANSWERS.update({Lot: LotSerializer, Movement: MovementSerializer})

router = SimpleRouter()
router.register("lots", lists.LotViewSet, "lot")
router.register("imports", api.SheetImportViewSet, "import")
router.register("movements", lists.MovementViewSet, "movement")
router.register("weighings", lists.WeighingViewSet, "weighing")
router.register("volume-readings", lists.VolumeReadingViewSet, "volume-reading")
router.register("assays", lists.AssayViewSet, "assay")
router.register("process-batches", lists.ProcessBatchViewSet, "process-batch")
router.register("excesses", lists.ExcessViewSet, "excess")
router.register("documents", lists.DocumentViewSet, "document")
router.register("bars", fine_metal.BarRecordViewSet, "bar")
router.register("impurity-analyses", fine_metal.ImpurityViewSet, "impurity-analysis")
router.register("delivery-notes", fine_metal.DeliveryNoteViewSet, "delivery-note")
router.register("tokens", tokens_api.TokenViewSet, "token")
router.register("webhooks", webhooks_api.SubscriptionViewSet, "webhook")
router.register("webhook-deliveries", webhooks_api.DeliveryViewSet, "webhook-delivery")
router.register("parties", reference.PartyViewSet, "party")
router.register("places", reference.PlaceViewSet, "place")
router.register("balances", reference.BalanceViewSet, "balance")

LOT = "lots/<str:code>"
BATCH = "process-batches/<str:code>"

urlpatterns: list[URLPattern | URLResolver] = [
    path("events/", events_api.EventsAfter.as_view()),
    path("webhooks/subscribe/", webhooks_api.Subscribe.as_view()),
    path("webhooks/<int:pk>/stop/", webhooks_api.StopSubscription.as_view()),
    path("webhooks/<int:pk>/start/", webhooks_api.StartSubscription.as_view()),
    path("webhooks/<int:pk>/secret/", webhooks_api.SubscriptionSecret.as_view()),
    path("webhook-deliveries/<int:pk>/resend/", webhooks_api.ResendEvent.as_view()),
    path("receipts/", receipts.ReceiveLot.as_view()),
    path(f"{LOT}/weighings/", receipts.RecordWeighing.as_view()),
    path(f"{LOT}/assays/", receipts.RecordAssay.as_view()),
    path(f"{LOT}/melt/", melts.MeltLot.as_view()),
    path(f"{LOT}/samples/", samples.TakeSample.as_view()),
    path(f"{LOT}/use-up/", samples.UseUpSample.as_view()),
    path(f"{LOT}/owner/", ownership.ChangeOwner.as_view()),
    path(f"{LOT}/ship/", shipping.ShipLot.as_view()),
    path(f"{LOT}/return/", shipping.ReturnLot.as_view()),
    path(f"{LOT}/quarantine/", quarantine.QuarantineLot.as_view()),
    path(f"{LOT}/release/", quarantine.ReleaseLot.as_view()),
    path(f"{LOT}/documents/", documents.AttachDocument.as_view()),
    path(f"{LOT}/bar/", fine_metal.ListBar.as_view()),
    path(f"{LOT}/impurities/", fine_metal.RecordImpurities.as_view()),
    path(f"{LOT}/grade/", fine_metal.GradeLot.as_view()),
    path("bars/<int:pk>/strike/", fine_metal.StrikeBar.as_view()),
    path("delivery-notes/deliver/", fine_metal.Deliver.as_view()),
    path("delivery-notes/<str:code>/take-back/", fine_metal.TakeBackDelivery.as_view()),
    path("parties/<str:code>/documents/", documents.AttachToParty.as_view()),
    path("documents/<int:pk>/file-as/", documents.FileDocument.as_view()),
    path("documents/retention/", documents.RetentionReport.as_view()),
    path(f"{LOT}/trace/", traces.TraceLot.as_view()),
    path("claims/settle/", ownership.SettleClaim.as_view()),
    path("weighings/<int:pk>/post-difference/", corrections.PostWeighingDifference.as_view()),
    path("weighings/<int:pk>/withdraw/", corrections.WithdrawWeighing.as_view()),
    path("volume-readings/<int:pk>/withdraw/", corrections.WithdrawVolumeReading.as_view()),
    path("assays/<int:pk>/withdraw/", corrections.WithdrawAssay.as_view()),
    path("excesses/<int:pk>/explain/", corrections.ExplainExcess.as_view()),
    path(f"{LOT}/split/", motions.SplitLot.as_view()),
    path(f"{LOT}/transfer/", motions.TransferLot.as_view()),
    path("token/", tokens_api.ObtainToken.as_view(), name="token"),
    path("tokens/<int:pk>/revoke/", tokens_api.RevokeToken.as_view()),
    path("blends/", motions.BlendLots.as_view()),
    path("assays/<int:pk>/rule/", motions.RuleAssay.as_view()),
    path("openings/lots/", motions.OpenLot.as_view()),
    path("openings/claims/", motions.OpenClaim.as_view()),
    path("process-batches/start/", process_batches.StartBatch.as_view()),
    path(f"{BATCH}/inputs/", process_batches.AddInputs.as_view()),
    path(f"{BATCH}/outputs/", process_batches.RecordOutput.as_view()),
    path(f"{BATCH}/close/", process_batches.CloseBatch.as_view()),
    path("movements/<int:sequence>/reverse/", reversals.ReverseMovement.as_view()),
    *api_paths("lots"),
    *router.urls,
]
