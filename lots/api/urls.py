"""Addresses of the lots and ledger API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from lots import models
from lots.api import (
    backups,
    documents,
    fine_metal,
    lists,
    reference,
    traces,
)
from lots.api import serializers as shown
from lots.declaration.as_api import ANSWERS, api_paths
from lots.feed import events_api, webhooks_api
from lots.people import own_password, people_api, tokens_api
from lots.sheets import api

ANSWERS[models.Lot] = shown.LotSerializer
ANSWERS.update(people_api.ANSWERS_OF_PEOPLE)

router = SimpleRouter()
for name, view in (lists.LISTS | people_api.LISTS_OF_PEOPLE).items():
    router.register(name, view, name)
router.register("imports", api.SheetImportViewSet, "import")
router.register("parties", reference.PartyViewSet, "party")
router.register("places", reference.PlaceViewSet, "place")
router.register("balances", reference.BalanceViewSet, "balance")

LOT = "lots/<str:code>"
BATCH = "process-batches/<str:code>"

urlpatterns: list[URLPattern | URLResolver] = [
    path("works/backups/", backups.BackupsView.as_view()),
    path("webhooks/<int:pk>/secret/", webhooks_api.SubscriptionSecret.as_view()),
    path("events/", events_api.EventsAfter.as_view()),
    path(f"{LOT}/grade/", fine_metal.GradeLot.as_view()),
    path("documents/retention/", documents.RetentionReport.as_view()),
    path(f"{LOT}/trace/", traces.TraceLot.as_view()),
    path(
        "people/own-password/",
        own_password.ChangeOwnPassword.as_view(),
        name="own-password-by-program",
    ),
    path("token/", tokens_api.ObtainToken.as_view(), name="token"),
    path("tokens/<int:pk>/revoke/", tokens_api.RevokeToken.as_view()),
    *api_paths("lots"),
    *router.urls,
]
