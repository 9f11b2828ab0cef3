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
    )
    ledger_checks = "reports.queries.month_checks.CHECKS"

    def ready(self) -> None:
        # Counts and settlements register what reversing their movements means, whoever does it.
        from reports.services import approvals, import_counts, settlement  # noqa: F401, PLC0415
