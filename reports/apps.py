from django.apps import AppConfig


class ReportsConfig(AppConfig):
    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"
    append_only_tables = (
        "reports_contractterms",
        "reports_countedmetal",
        "reports_monthreopening",
        "reports_accessrecord",
        "reports_payment",
        "reports_statementsignature",
    )
    searched = "reports.queries.searched.SEARCHED"
    events_kept_back = "reports.queries.lot.sealed_results.ruled_movements"
    ledger_checks = "reports.queries.month.month_checks.CHECKS"

    def ready(self) -> None:
        # Counts and settlements register what reversing their movements means, whoever does it;
        # records of reading register to be told of what the lots' own lists and events show.
        from reports.services import (  # noqa: F401, PLC0415
            access_records,
            approvals,
            import_counts,
            settlement,
        )
