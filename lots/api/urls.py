"""Addresses of the lots and ledger API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from lots.api import (
    documents,
    fine_metal,
    lists,
    reference,
    reversals,
    traces,
)
from lots.api.serializers import (
    AssaySerializer,
    ExcessSerializer,
    LotSerializer,
    MovementSerializer,
    ProcessBatchSerializer,
    RulingSerializer,
    WeighingSerializer,
    WithdrawalSerializer,
)
from lots.declaration.as_api import ANSWERS, api_paths
from lots.feed import events_api, webhooks_api
from lots.models import (
    Assay,
    AssayRuling,
    Excess,
    Lot,
    Movement,
    ProcessBatch,
    Weighing,
    Withdrawal,
)
from lots.people import tokens_api
from lots.sheets import api

ANSWERS.update(
    {
        Assay: AssaySerializer,
        AssayRuling: RulingSerializer,
        Excess: ExcessSerializer,
        ProcessBatch: ProcessBatchSerializer,
        Weighing: WeighingSerializer,
        Withdrawal: WithdrawalSerializer,
        Lot: LotSerializer,
        Movement: MovementSerializer,
    }
)

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
    path("token/", tokens_api.ObtainToken.as_view(), name="token"),
    path("tokens/<int:pk>/revoke/", tokens_api.RevokeToken.as_view()),
    path("movements/<int:sequence>/reverse/", reversals.ReverseMovement.as_view()),
    *api_paths("lots"),
    *router.urls,
]
