"""Addresses of the pages about lots, movements and processes."""

from django.urls import URLPattern, path

from lots.pages import (
    bench,
    correct,
    find,
    labels,
    leave,
    lists,
    lot,
    measure,
    movement,
    process,
    rearrange,
    receive,
    treat,
)

LOT = "lots/<str:code>"
BATCH = "processes/<str:code>"

urlpatterns: list[URLPattern] = [
    path("bench/", bench.bench, name="bench"),
    path("search/", find.search_page, name="search"),
    path("q/<str:code>/", find.scanned, name="scanned"),
    path("convert/mass/", find.convert_mass, name="convert-mass"),
    path("receive/", receive.ReceiveLot.as_view(), name="receive"),
    path("blend/", rearrange.BlendLots.as_view(), name="blend"),
    path("labels/", labels.label_sheet, name="labels"),
    path("lots/", lists.lot_list, name="lots"),
    path(f"{LOT}/", lot.lot_page, name="lot"),
    path(f"{LOT}/label/", labels.single_label, name="label"),
    path(f"{LOT}/weigh/", measure.WeighLot.as_view(), name="weigh"),
    path(f"{LOT}/assay/", measure.AssayLot.as_view(), name="assay"),
    path(f"{LOT}/split/", rearrange.SplitLot.as_view(), name="split"),
    path(f"{LOT}/transfer/", rearrange.TransferLot.as_view(), name="transfer"),
    path(f"{LOT}/write-off/", rearrange.WriteOffLot.as_view(), name="write-off"),
    path(f"{LOT}/melt/", treat.MeltLot.as_view(), name="melt"),
    path(f"{LOT}/sample/", treat.TakeSample.as_view(), name="sample"),
    path(f"{LOT}/use-up/", treat.UseUpSample.as_view(), name="use-up"),
    path(f"{LOT}/set-aside/", treat.Quarantine.as_view(), name="set-aside"),
    path(f"{LOT}/release/", treat.Release.as_view(), name="release"),
    path(f"{LOT}/ship/", leave.ShipLot.as_view(), name="ship"),
    path(f"{LOT}/return/", leave.ReturnLot.as_view(), name="return"),
    path(f"{LOT}/owner/", leave.ChangeOwner.as_view(), name="change-owner"),
    path(f"{LOT}/attach/", correct.AttachDocument.as_view(), name="attach"),
    path("claims/settle/", leave.SettleClaim.as_view(), name="settle-claim"),
    path(
        "weighings/<int:pk>/post/",
        correct.PostWeighingDifference.as_view(),
        name="post-difference",
    ),
    path(
        "measurements/<int:pk>/withdraw/",
        correct.WithdrawMeasurement.as_view(),
        name="withdraw-measurement",
    ),
    path("assays/<int:pk>/withdraw/", correct.WithdrawAssay.as_view(), name="withdraw-assay"),
    path("excesses/<int:pk>/explain/", correct.ExplainExcess.as_view(), name="explain-excess"),
    path("assays/<int:pk>/rule/", measure.RuleAssay.as_view(), name="rule-assay"),
    path("documents/<int:pk>/", lot.document, name="document"),
    path("movements/", lists.movement_list, name="movements"),
    path("movements/<int:sequence>/", movement.MovementReceipt.as_view(), name="movement"),
    path("processes/", process.batch_list, name="batches"),
    path("processes/start/", process.StartBatch.as_view(), name="batch-start"),
    path(f"{BATCH}/", process.batch_page, name="batch"),
    path(f"{BATCH}/add/", process.AddInputs.as_view(), name="batch-add"),
    path(f"{BATCH}/take-out/", process.TakeOutput.as_view(), name="batch-output"),
    path(f"{BATCH}/close/", process.CloseBatch.as_view(), name="batch-close"),
]
