"""Addresses of the pages about cells, runs, electrolytes and slimes."""

from django.urls import URLPattern, path

from cells.pages import cell_reference, cells, plans, slimes
from cells.pages.overrides import OVERRIDES
from lots.declaration.as_page import page_paths

ELECTROLYTE = "electrolytes/<str:code>"

urlpatterns: list[URLPattern] = [
    *page_paths("cells", OVERRIDES),
    path("cells/", cells.cell_list, name="cells"),
    path("reference/cells/", cell_reference.cell_reference_list, name="cells-kept"),
    path("reference/cells/add/", cell_reference.EditCell.as_view(), name="cell-add"),
    path("reference/cells/of/<str:code>/", cell_reference.EditCell.as_view(), name="cell-edit"),
    path("cells/<slug:code>/feed-plan/", plans.feed_plan_page, name="feed-plan"),
    path("lots/<str:code>/charge/", cells.charge_lot, name="charge-lot"),
    path("runs/<str:code>/", cells.run_page, name="run"),
    path(f"{ELECTROLYTE}/make-up-plan/", plans.make_up_page, name="make-up-plan"),
    path(f"{ELECTROLYTE}/bleed-plan/", plans.bleed_page, name="bleed-plan"),
    path("slimes/", slimes.queue_page, name="slimes"),
]
