"""Addresses of the cells API."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from cells.api import electrolytes, lists, openings, plans, recovery, runs
from cells.api.serializers import HarvestSerializer
from cells.models import Harvest
from lots.declaration.as_api import ANSWERS, api_paths

ANSWERS[Harvest] = HarvestSerializer

router = SimpleRouter()
router.register("cells", lists.CellViewSet, "cell")
router.register("electrolytes", lists.ElectrolyteViewSet, "electrolyte")
router.register("electrolyte-readings", lists.ElectrolyteReadingViewSet, "electrolyte-reading")
router.register("runs", lists.RunViewSet, "run")
router.register("run-readings", lists.RunReadingViewSet, "run-reading")
router.register("harvests", lists.HarvestViewSet, "harvest")
router.register("slimes-bags", lists.SlimesBagViewSet, "slimes-bag")
router.register("cell-warnings", lists.WarningViewSet, "cell-warning")
router.register("recovery-outcomes", lists.RecoveryOutcomeViewSet, "recovery-outcome")

ELECTROLYTE = "electrolytes/<str:code>"
RUN = "runs/<str:code>"

urlpatterns: list[URLPattern | URLResolver] = [
    path("electrolytes/prepare/", electrolytes.PrepareElectrolyte.as_view()),
    path("openings/slimes-bags/", openings.OpenBag.as_view()),
    path("openings/electrolytes/", electrolytes.OpenElectrolyte.as_view()),
    path(f"{ELECTROLYTE}/measure/", electrolytes.MeasureElectrolyte.as_view()),
    path(f"{ELECTROLYTE}/top-up/", electrolytes.TopUpElectrolyte.as_view()),
    path(f"{ELECTROLYTE}/bleed/", electrolytes.BleedElectrolyte.as_view()),
    path("cells/<str:code>/charge/", runs.ChargeRun.as_view()),
    path(f"{RUN}/start/", runs.StartRun.as_view()),
    path(f"{RUN}/readings/", runs.RecordReading.as_view()),
    path(f"{RUN}/readings/many/", runs.RecordReadings.as_view()),
    path("run-readings/<int:pk>/withdraw/", runs.WithdrawReading.as_view()),
    path(f"{RUN}/stop/", runs.StopRun.as_view()),
    path(f"{RUN}/remnant/", runs.TakeRemnant.as_view()),
    path(f"{RUN}/slimes-bag/", runs.BagSlimes.as_view()),
    path(f"{RUN}/rinse-water/", runs.TakeRinseWater.as_view()),
    path(f"{RUN}/close/", runs.CloseRun.as_view()),
    path(f"{RUN}/summary/", plans.SummariseRun.as_view()),
    path(f"{RUN}/state/", plans.StateOfRun.as_view()),
    path(f"{RUN}/forecast/", plans.ForecastRun.as_view()),
    path(f"{RUN}/warnings/", recovery.RefreshWarnings.as_view()),
    path(f"{ELECTROLYTE}/state/", plans.StateOfElectrolyte.as_view()),
    path(f"{ELECTROLYTE}/make-up-plan/", plans.PlanMakeUp.as_view()),
    path(f"{ELECTROLYTE}/bleed-plan/", plans.PlanBleed.as_view()),
    path("cells/<str:code>/feed-plan/", plans.PlanFeed.as_view()),
    path("reports/slimes-queue/", plans.SlimesQueue.as_view()),
    path("cell-warnings/<int:pk>/acknowledge/", recovery.AcknowledgeWarning.as_view()),
    path("recoveries/", recovery.GroupBags.as_view()),
    path("recoveries/<str:code>/finish/", recovery.FinishRecovery.as_view()),
    *api_paths("cells"),
    *router.urls,
]
