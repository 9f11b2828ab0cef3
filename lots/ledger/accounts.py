"""The chart of outside accounts: every way metal enters, leaves or goes missing."""

from __future__ import annotations

from typing import Any, Final

RECEIVED: Final = "received"
SHIPPED: Final = "shipped"
RETURNED: Final = "returned"
OPENING: Final = "opening"
SUPPLIES: Final = "supplies"
SAMPLES_USED: Final = "samples-used"
LOSS: Final = "loss"
WASTE: Final = "waste"
ASSAY_DIFFERENCE: Final = "assay-difference"
WEIGHING_DIFFERENCE: Final = "weighing-difference"
MELT_DIFFERENCE: Final = "melt-difference"
PROCESS_DIFFERENCE: Final = "process-difference"
CELL_DIFFERENCE: Final = "cell-difference"
RECOVERY_DIFFERENCE: Final = "recovery-difference"
COUNT_DIFFERENCE: Final = "count-difference"

CHART: Final = (
    # code, name, kind
    (RECEIVED, "Received from suppliers and customers", "trade"),
    (SHIPPED, "Shipped", "trade"),
    (RETURNED, "Returned to customers", "trade"),
    (OPENING, "Opening balances", "opening"),
    (SUPPLIES, "Metal in supplies", "supplies"),
    (SAMPLES_USED, "Used up in assays", "loss"),
    (LOSS, "Written off", "loss"),
    (WASTE, "Discarded in waste", "loss"),
    (ASSAY_DIFFERENCE, "Assay difference", "difference"),
    (WEIGHING_DIFFERENCE, "Weighing difference", "difference"),
    (MELT_DIFFERENCE, "Melt difference", "difference"),
    (PROCESS_DIFFERENCE, "Process difference", "difference"),
    (CELL_DIFFERENCE, "Cell run difference", "difference"),
    (RECOVERY_DIFFERENCE, "Slimes recovery difference", "difference"),
    (COUNT_DIFFERENCE, "Count difference", "difference"),
)


def lay_out(apps: Any, schema_editor: Any) -> None:
    """For migrations (and emptied test databases): the accounts and the ledger's head."""
    account_model = apps.get_model("lots", "Account")
    for code, name, kind in CHART:
        account_model.objects.get_or_create(code=code, defaults={"name": name, "kind": kind})
    apps.get_model("lots", "LedgerHead").objects.get_or_create(pk=1)
