"""Addresses of the pages about lots, movements and processes."""

from django.urls import URLPattern, path

from lots.declaration.as_page import page_paths
from lots.keeping import backups_page
from lots.pages import (
    bars_listing,
    bench,
    find,
    impurities,
    labels,
    lists,
    lot,
    papers,
    process,
    reference,
    saved_forms,
    set_up,
)
from lots.pages.overrides import OVERRIDES
from lots.people import people_pages, tokens_page
from lots.people.own_password import OwnPassword
from lots.sheets import pages

LOT = "lots/<str:code>"
BATCH = "processes/<str:code>"
DRAFT = "imports/draft/<uuid:key>"

urlpatterns: list[URLPattern] = [
    *page_paths("lots", OVERRIDES),
    path("set-up/", set_up.set_up_page, name="set-up"),
    path("bench/", bench.bench, name="bench"),
    path("search/", find.search_page, name="search"),
    path("q/<str:code>/", find.scanned, name="scanned"),
    path("convert/scale/", find.scale_rule, name="scale-rule"),
    path("convert/mass/", find.convert_mass, name="convert-mass"),
    path("imports/", pages.import_list, name="imports"),
    path("imports/new/", pages.import_new, name="import-new"),
    path("imports/template/<str:subject>/", pages.import_template, name="import-template"),
    path(f"{DRAFT}/", pages.import_draft, name="import-draft"),
    path(f"{DRAFT}/columns/", pages.import_columns, name="import-columns"),
    path(f"{DRAFT}/check/", pages.import_check, name="import-check"),
    path(f"{DRAFT}/record/", pages.import_record, name="import-record"),
    path(f"{DRAFT}/progress/", pages.import_progress, name="import-progress"),
    path(f"{DRAFT}/marked/", pages.import_marked, name="import-marked"),
    path(f"{DRAFT}/confirm/", pages.import_confirm, name="import-confirm"),
    path(f"{DRAFT}/discard/", pages.import_discard, name="import-discard"),
    path("imports/<str:code>/", pages.import_page, name="import"),
    path("labels/", labels.label_sheet, name="labels"),
    path("lots/", lists.lot_list, name="lots"),
    path(f"{LOT}/", lot.lot_page, name="lot"),
    path(f"{LOT}/label/", labels.single_label, name="label"),
    path(f"{LOT}/bar/weights/", bars_listing.bar_weights, name="list-bar-weights"),
    path(f"{LOT}/grade/", impurities.grade_page, name="grade"),
    path("bars/<int:pk>/", bars_listing.bar_page, name="bar"),
    path("kept/<int:pk>/drop/", saved_forms.drop_kept, name="drop-kept"),
    path("documents/<int:pk>/", lot.document, name="document"),
    *reference.PATHS,
    path("works/backups/", backups_page.backups_page, name="backups"),
    path("password/", OwnPassword.as_view(), name="own-password"),
    path("people/", people_pages.people_list, name="people"),
    path("people/<int:pk>/", people_pages.person_page, name="person"),
    path("tokens/", tokens_page.token_page, name="tokens"),
    path("tokens/<int:pk>/revoke/", tokens_page.revoke, name="token-revoke"),
    path("papers/", papers.papers_page, name="papers"),
    path("movements/", lists.movement_list, name="movements"),
    path("processes/", process.batch_list, name="batches"),
    path(f"{BATCH}/", process.batch_page, name="batch"),
]
