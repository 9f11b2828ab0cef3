"""Addresses of the pages that report."""

from django.urls import URLPattern, path

from lots.declaration.as_page import page_paths
from reports.pages import (
    accounts,
    bar_list,
    counts,
    delivery,
    help_page,
    lists,
    lot_answer,
    month,
    month_estimate,
    payments,
    questions,
    read_log,
    receivers,
    settlements,
    shared,
    terms,
    today,
    what_if,
)
from reports.pages.overrides import OVERRIDES

MONTH = "months/<str:month>"
SHEET = "counts/<str:code>"
SETTLEMENT = "settlements/<str:code>"

urlpatterns: list[URLPattern] = [
    *page_paths("reports", OVERRIDES),
    path("", today.today_page, name="today"),
    path("today/look-again/", today.look_again, name="today-look-again"),
    path("today/cells/", today.cells_now_page, name="cells-now"),
    path("today/how-sure/", today.holdings_sureness, name="holdings-sureness"),
    path("help/", help_page.help_page, name="help"),
    path("balances/", help_page.balances_page, name="balances"),
    path("lots/<str:code>/answer/", lot_answer.answer_page, name="lot-answer"),
    path("my-lots/", lot_answer.customer_lots, name="my-lots"),
    path("accounts/<slug:code>/", accounts.account_page, name="account"),
    path("cover/", accounts.cover_page, name="cover"),
    path("bars/", bar_list.bars_page, name="bars"),
    path("bars/workbook/", bar_list.bars_workbook, name="bars-workbook"),
    path("bars/paper/", bar_list.bars_paper, name="bars-paper"),
    path("deliver/", delivery.Deliver.as_view(), name="deliver"),
    path("deliver/effect/", delivery.delivery_effect, name="delivery-effect"),
    path("lots/<str:code>/deliver/", delivery.Deliver.as_view(), name="deliver-lot"),
    path("my-deliveries/", delivery.customer_deliveries, name="my-deliveries"),
    path("deliveries/", lists.delivery_list, name="deliveries"),
    path("deliveries/<str:code>/", delivery.delivery_page, name="delivery"),
    path("deliveries/<str:code>/paper/", delivery.delivery_paper, name="delivery-paper"),
    path("losses/", accounts.losses_page, name="losses"),
    path("months/", month.month_list, name="months"),
    path(f"{MONTH}/", month.month_page, name="month"),
    path(f"{MONTH}/paper/", month.month_paper, name="month-paper"),
    path(f"{MONTH}/verdict/", month_estimate.verdict_page, name="month-verdict"),
    path(f"{MONTH}/how-sure/", month_estimate.estimate_page, name="month-estimate"),
    path(f"{SHEET}/", counts.sheet_page, name="count-sheet"),
    path(f"{SHEET}/form/", counts.count_form, name="sheet-form"),
    path(f"{SETTLEMENT}/what-if/", what_if.what_if_page, name="what-if"),
    path("receivers/", receivers.receiver_list, name="receivers"),
    path("receivers/<int:pk>/secret/", receivers.receiver_secret, name="receiver-secret"),
    path("read-log/", read_log.read_log, name="read-log"),
    path("links/", lists.link_list, name="links"),
    path("questions/", questions.question_list, name="questions"),
    path("questions/<int:pk>/", questions.question_page, name="question"),
    path("terms/", terms.terms_list, name="terms"),
    path("terms/<slug:code>/", terms.customer_terms, name="customer-terms"),
    path("prices/", lists.price_list, name="prices"),
    path("payments/", payments.payment_list, name="payments"),
    path("payments/<str:code>/", payments.payment_page, name="payment"),
    path("shared/<str:token>/", shared.shared_page, name="shared"),
    path("shared/<str:token>/<str:form>/", shared.shared_page, name="shared-form"),
    path("settlements/", settlements.settlement_list, name="settlements"),
    path(f"{SETTLEMENT}/", settlements.settlement_page, name="settlement"),
]
