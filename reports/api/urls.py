"""Addresses of the reports API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from reports.api import (
    accounts,
    adjustments,
    best_estimate,
    counts,
    fine_metal,
    inventory,
    losses,
    lots,
    month_end,
    months,
    payments,
    prices,
    questions,
    reconcile,
    settlements,
    shared_links,
    terms,
    uncertainty,
)

router = SimpleRouter()
router.register("months", month_end.MonthEndViewSet, "month-end")
router.register("count-sheets", counts.CountSheetViewSet, "count-sheet")
router.register("count-adjustments", adjustments.AdjustmentViewSet, "count-adjustment")
router.register("payments", payments.PaymentViewSet, "payment")
router.register("prices", prices.PriceViewSet, "price")
router.register("terms", terms.TermsViewSet, "terms")
router.register("settlements", settlements.SettlementViewSet, "settlement")
router.register("settlement-questions", questions.SettlementQuestionViewSet, "settlement-question")
router.register("shared-links", shared_links.SharedLinkViewSet, "shared-link")
router.register("access-records", shared_links.AccessRecordViewSet, "access-record")

MONTH = "months/<str:month>"
SHEET = "count-sheets/<str:code>"
SETTLEMENT = "settlements/<str:code>"
QUESTION = "settlement-questions/<int:pk>"

urlpatterns: list[URLPattern | URLResolver] = [
    path("reports/inventory/", inventory.InventoryReport.as_view()),
    path("reports/inventory/uncertainty/", uncertainty.InventorySureness.as_view()),
    path("reports/obligations/", inventory.ObligationsReport.as_view()),
    path("reports/lot-sheets/", lots.LotSheets.as_view()),
    path("reports/losses/", losses.LossesReport.as_view()),
    path("reports/losses/movements/", losses.LossMovements.as_view()),
    path("reports/months/<str:month>/", months.MonthReport.as_view()),
    path("reports/months/<str:month>/best-estimate/", best_estimate.MonthEstimate.as_view()),
    path("reports/months/<str:month>/doubt/", best_estimate.MonthDoubt.as_view()),
    path("reports/months/<str:month>/differences/", best_estimate.MonthDifferences.as_view()),
    path("reports/months/<str:month>/uncertainty/", uncertainty.MonthSureness.as_view()),
    path("reports/claims/", months.ClaimsReport.as_view()),
    path("reports/accounts/<str:party>/", accounts.AccountReport.as_view()),
    path("reports/movements/", accounts.MovementsReport.as_view()),
    path("lots/<str:code>/sheet/", lots.OneLot.as_view()),
    path("lots/<str:code>/uncertainty/", uncertainty.LotSureness.as_view()),
    path("lots/<str:code>/answer/", lots.AnswerLot.as_view()),
    path("lots/<str:code>/settlements/", settlements.PrepareSettlement.as_view()),
    path("lots/<str:code>/questions/", questions.AskQuestion.as_view()),
    path(f"{MONTH}/begin/", month_end.BeginMonth.as_view()),
    path(f"{MONTH}/count-sheets/", counts.OpenSheet.as_view()),
    path(f"{MONTH}/prepare/", month_end.PrepareMonth.as_view()),
    path(f"{MONTH}/send-back/", month_end.SendBackMonth.as_view()),
    path(f"{MONTH}/approve/", month_end.ApproveMonth.as_view()),
    path(f"{MONTH}/close/", month_end.CloseMonth.as_view()),
    path(f"{MONTH}/reopen/", month_end.ReopenMonth.as_view()),
    path(f"{SHEET}/counts/", counts.EnterCount.as_view()),
    path(f"{SHEET}/recounts/", counts.RecountLot.as_view()),
    path(f"{SHEET}/found-lots/", counts.AddFoundLot.as_view()),
    path(f"{SHEET}/form/", counts.CountForm.as_view()),
    path(f"{SHEET}/upload/", counts.UploadCounts.as_view()),
    path(f"{SHEET}/propose/", adjustments.ProposeAdjustments.as_view()),
    path(f"{SHEET}/approve/", adjustments.ApproveAdjustments.as_view()),
    path("count-adjustments/<int:pk>/decline/", adjustments.DeclineAdjustment.as_view()),
    path("prices/record/", prices.RecordPrice.as_view()),
    path("payments/record/", payments.RecordPayment.as_view()),
    path("payments/<str:code>/reverse/", payments.ReversePayment.as_view()),
    path("terms/record/", terms.SetTerms.as_view()),
    path(f"{SETTLEMENT}/approve/", settlements.ApproveSettlement.as_view()),
    path(f"{SETTLEMENT}/withdraw/", settlements.WithdrawSettlement.as_view()),
    path(f"{SETTLEMENT}/statement/", settlements.SettlementStatement.as_view()),
    path(f"{SETTLEMENT}/what-if/", settlements.SupposeSettlement.as_view()),
    path(f"{QUESTION}/answer/", questions.AnswerQuestion.as_view()),
    path(f"{QUESTION}/withdraw/", questions.WithdrawQuestion.as_view()),
    path("shared-links/share/", shared_links.ShareLink.as_view()),
    path("shared-links/<int:pk>/revoke/", shared_links.RevokeLink.as_view()),
    path("reports/bars/", fine_metal.BarListReport.as_view()),
    path("delivery-notes/<str:code>/document/", fine_metal.DeliveryNoteReport.as_view()),
    path("reconcile/network/", reconcile.ReconcileNetwork.as_view()),
    *router.urls,
]
