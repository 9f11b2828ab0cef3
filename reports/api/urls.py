"""Addresses of the reports API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from lots.declaration.as_api import ANSWERS, api_paths
from reports.api import (
    accounts,
    best_estimate,
    fine_metal,
    inventory,
    lists,
    losses,
    lots,
    month_end,
    months,
    reconcile,
    settlements,
    uncertainty,
)
from reports.services.shared_links import SHARE

ANSWERS[SHARE] = lists.NewLinkSerializer
router = SimpleRouter()
for name, view in (lists.LISTS | month_end.LISTS).items():
    router.register(name, view, name.removesuffix("s"))

SHEET = "count-sheets/<str:code>"
SETTLEMENT = "settlements/<str:code>"

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
    path(f"{SHEET}/form/", month_end.CountForm.as_view()),
    path(f"{SETTLEMENT}/statement/", settlements.SettlementStatement.as_view()),
    path(f"{SETTLEMENT}/what-if/", settlements.SupposeSettlement.as_view()),
    path("reports/bars/", fine_metal.BarListReport.as_view()),
    path("delivery-notes/<str:code>/document/", fine_metal.DeliveryNoteReport.as_view()),
    path("reconcile/network/", reconcile.ReconcileNetwork.as_view()),
    *api_paths("reports"),
    *router.urls,
]
