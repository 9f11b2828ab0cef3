from django.apps import AppConfig


class ReportsConfig(AppConfig):
    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"
    append_only_tables = (
        "reports_contractterms",
        "reports_countedmetal",
        "reports_monthreopening",
    )
    ledger_checks = "reports.queries.month_checks.CHECKS"

    def ready(self) -> None:
        # A count's adjustment registers how it is undone, whoever reverses it.
        from reports.services import approvals  # noqa: F401, PLC0415
