"""Addresses of the cells API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from cells import models
from cells.api import lists, plans, serializers
from lots.api.serializers import ProcessBatchSerializer
from lots.declaration.as_api import ANSWERS, api_paths
from lots.models import ProcessBatch

ANSWERS.update(
    {
        models.CellRun: serializers.RunSerializer,
        models.CellWarning: serializers.WarningSerializer,
        models.ElectrolyteBatch: serializers.ElectrolyteSerializer,
        models.ElectrolyteReading: serializers.ElectrolyteReadingSerializer,
        models.Harvest: serializers.HarvestSerializer,
        models.PowerStatement: serializers.PowerStatementSerializer,
        models.RunReading: serializers.RunReadingSerializer,
        models.SlimesBag: serializers.SlimesBagSerializer,
        ProcessBatch: ProcessBatchSerializer,
    }
)

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
