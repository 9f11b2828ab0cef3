"""Addresses of the pages about cells, runs, electrolytes and slimes."""

from django.urls import URLPattern, path

from cells.pages import (
    cell_reference,
    cells,
    electrolyte_steps,
    opening,
    plans,
    run_steps,
    slimes,
)
from lots.declaration.as_page import page_paths

RUN = "runs/<str:code>"
ELECTROLYTE = "electrolytes/<str:code>"

urlpatterns: list[URLPattern] = [
    path("cells/", cells.cell_list, name="cells"),
    path("reference/cells/", cell_reference.cell_reference_list, name="cells-kept"),
    path("reference/cells/add/", cell_reference.EditCell.as_view(), name="cell-add"),
    path("reference/cells/of/<str:code>/", cell_reference.EditCell.as_view(), name="cell-edit"),
    path("openings/electrolyte/", opening.OpenElectrolyte.as_view(), name="open-electrolyte"),
    path("openings/bag/", opening.OpenBag.as_view(), name="open-bag"),
    path("cells/<slug:code>/feed-plan/", plans.feed_plan_page, name="feed-plan"),
    path("cells/<slug:code>/charge/", run_steps.ChargeCell.as_view(), name="charge"),
    path(f"{RUN}/", cells.run_page, name="run"),
    path(f"{RUN}/start/", run_steps.StartRun.as_view(), name="run-start"),
    path(f"{RUN}/read/", run_steps.ReadCell.as_view(), name="run-read"),
    path(
        "readings/<int:pk>/withdraw/", run_steps.WithdrawReading.as_view(), name="reading-withdraw"
    ),
    path(f"{RUN}/stop/", run_steps.StopRun.as_view(), name="run-stop"),
    path(f"{RUN}/remnant/", run_steps.TakeRemnant.as_view(), name="run-remnant"),
    path(f"{RUN}/bag/", run_steps.BagSlimes.as_view(), name="run-bag"),
    path(f"{RUN}/rinse/", run_steps.KeepRinseWater.as_view(), name="run-rinse"),
    path(f"{RUN}/close/", run_steps.CloseRun.as_view(), name="run-close"),
    path(f"{RUN}/warnings/", run_steps.LookForWarnings.as_view(), name="run-warnings"),
    path("warnings/<int:pk>/", run_steps.AcknowledgeWarning.as_view(), name="warning"),
    path(
        "electrolytes/prepare/",
        electrolyte_steps.PrepareElectrolyte.as_view(),
        name="electrolyte-prepare",
    ),
    path(
        f"{ELECTROLYTE}/measure/",
        electrolyte_steps.MeasureElectrolyte.as_view(),
        name="electrolyte-measure",
    ),
    path(f"{ELECTROLYTE}/top-up/", electrolyte_steps.TopUp.as_view(), name="electrolyte-top-up"),
    path(f"{ELECTROLYTE}/bleed/", electrolyte_steps.Bleed.as_view(), name="electrolyte-bleed"),
    path(f"{ELECTROLYTE}/make-up-plan/", plans.make_up_page, name="make-up-plan"),
    path(f"{ELECTROLYTE}/bleed-plan/", plans.bleed_page, name="bleed-plan"),
    path("slimes/", slimes.queue_page, name="slimes"),
    path("slimes/recover/", slimes.GroupBags.as_view(), name="slimes-group"),
    path("slimes/<str:code>/finish/", slimes.FinishRecovery.as_view(), name="slimes-finish"),
    *page_paths("cells", {}),
]
