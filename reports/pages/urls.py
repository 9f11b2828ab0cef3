"""Addresses of the pages that report."""

from django.urls import URLPattern, path

from reports.pages import lot_answer, today

urlpatterns: list[URLPattern] = [
    path("", today.today_page, name="today"),
    path("lots/<str:code>/answer/", lot_answer.answer_page, name="lot-answer"),
    path("my-lots/", lot_answer.customer_lots, name="my-lots"),
]
