"""Addresses of the cells API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from cells.api import lists, plans
from lots.declaration.as_api import api_paths

router = SimpleRouter()
router.register("cells", lists.CellViewSet, "cell")
for name, view in lists.LISTS.items():
    router.register(name, view, name.removesuffix("s"))

ELECTROLYTE = "electrolytes/<str:code>"
RUN = "runs/<str:code>"

urlpatterns: list[URLPattern | URLResolver] = [
    path(f"{RUN}/summary/", plans.SummariseRun.as_view()),
    path(f"{RUN}/state/", plans.StateOfRun.as_view()),
    path(f"{RUN}/forecast/", plans.ForecastRun.as_view()),
    path(f"{ELECTROLYTE}/state/", plans.StateOfElectrolyte.as_view()),
    path(f"{ELECTROLYTE}/make-up-plan/", plans.PlanMakeUp.as_view()),
    path(f"{ELECTROLYTE}/bleed-plan/", plans.PlanBleed.as_view()),
    path("cells/<str:code>/feed-plan/", plans.PlanFeed.as_view()),
    path("reports/slimes-queue/", plans.SlimesQueue.as_view()),
    *api_paths("cells"),
    *router.urls,
]
