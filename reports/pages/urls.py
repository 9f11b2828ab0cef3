"""Addresses of the pages that report."""

from django.urls import URLPattern, path

from reports.pages import (
    accounts,
    count_forms,
    counts,
    help_page,
    lot_answer,
    month,
    month_estimate,
    month_steps,
    payments,
    settlements,
    shared,
    today,
)

MONTH = "months/<str:month>"
SHEET = "counts/<str:code>"
SETTLEMENT = "settlements/<str:code>"

urlpatterns: list[URLPattern] = [
    path("", today.today_page, name="today"),
    path("help/", help_page.help_page, name="help"),
    path("balances/", help_page.balances_page, name="balances"),
    path("lots/<str:code>/answer/", lot_answer.answer_page, name="lot-answer"),
    path("lots/<str:code>/settle/", settlements.PrepareSettlement.as_view(), name="settle"),
    path("my-lots/", lot_answer.customer_lots, name="my-lots"),
    path("accounts/<slug:code>/", accounts.account_page, name="account"),
    path("losses/", accounts.losses_page, name="losses"),
    path("months/", month.month_list, name="months"),
    path(f"{MONTH}/", month.month_page, name="month"),
    path(f"{MONTH}/how-sure/", month_estimate.estimate_page, name="month-estimate"),
    path(f"{MONTH}/begin/", month_steps.BeginMonthEnd.as_view(), name="month-begin"),
    path(f"{MONTH}/prepare/", month_steps.PrepareMonth.as_view(), name="month-prepare"),
    path(f"{MONTH}/send-back/", month_steps.SendBackMonth.as_view(), name="month-send-back"),
    path(f"{MONTH}/approve/", month_steps.ApproveMonth.as_view(), name="month-approve"),
    path(f"{MONTH}/close/", month_steps.CloseMonth.as_view(), name="month-close"),
    path(f"{MONTH}/reopen/", month_steps.ReopenMonth.as_view(), name="month-reopen"),
    path(f"{MONTH}/count/", counts.OpenSheet.as_view(), name="sheet-open"),
    path(f"{SHEET}/", counts.sheet_page, name="count-sheet"),
    path(f"{SHEET}/form/", count_forms.count_form, name="sheet-form"),
    path(f"{SHEET}/upload/", count_forms.UploadSheet.as_view(), name="sheet-upload"),
    path(f"{SHEET}/add/", counts.AddFoundLot.as_view(), name="sheet-add"),
    path(f"{SHEET}/lots/<str:lot>/", counts.CountLot.as_view(), name="sheet-count"),
    path(f"{SHEET}/propose/", counts.ProposeAdjustment.as_view(), name="sheet-propose"),
    path(f"{SHEET}/approve/", counts.ApproveAdjustments.as_view(), name="sheet-approve"),
    path(
        "adjustments/<int:pk>/decline/",
        counts.DeclineAdjustment.as_view(),
        name="adjustment-decline",
    ),
    path("payments/", payments.payment_list, name="payments"),
    path("payments/record/", payments.RecordPayment.as_view(), name="payment-record"),
    path("payments/<str:code>/", payments.payment_page, name="payment"),
    path("payments/<str:code>/reverse/", payments.ReversePayment.as_view(), name="payment-reverse"),
    path("shared/<str:token>/", shared.shared_page, name="shared"),
    path("shared/<str:token>/<str:form>/", shared.shared_page, name="shared-form"),
    path("settlements/", settlements.settlement_list, name="settlements"),
    path(f"{SETTLEMENT}/", settlements.settlement_page, name="settlement"),
    path(
        f"{SETTLEMENT}/approve/",
        settlements.ApproveSettlement.as_view(),
        name="settlement-approve",
    ),
    path(
        f"{SETTLEMENT}/withdraw/",
        settlements.WithdrawSettlement.as_view(),
        name="settlement-withdraw",
    ),
]
