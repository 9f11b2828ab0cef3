from django.apps import AppConfig
from django.core.checks import register

from config.startup import TAG
from lots.ledger.guards import APPEND_ONLY, CONFIRMED, IMPORTS, PEOPLE, SEALS, SETTINGS, ZONE


class LotsConfig(AppConfig):
    name = "lots"
    verbose_name = "Lots and ledger"
    default_auto_field = "django.db.models.BigAutoField"
    append_only_tables = (*APPEND_ONLY, *CONFIRMED, *IMPORTS, *SEALS, *SETTINGS, *PEOPLE, *ZONE)
    readiness = {"triggers_missing": "lots.ledger.guard_findings.absent_triggers"}
    searched = "lots.queries.search.SEARCHED"
    metrics = ("lots.ledger.ledger_metrics.tell",)

    def ready(self) -> None:
        from lots.queries.works_zone import check_zone  # noqa: PLC0415

        register(check_zone, TAG)
        # As they load, events register how their movements are undone, and sheets what they bring.
        from lots.declaration.event import events_of  # noqa: PLC0415
        from lots.sheets import openings, receipts, weighings  # noqa: F401, PLC0415

        events_of("lots")
