from django.apps import AppConfig

from lots.guards import APPEND_ONLY


class LotsConfig(AppConfig):
    name = "lots"
    verbose_name = "Lots and ledger"
    default_auto_field = "django.db.models.BigAutoField"
    append_only_tables = APPEND_ONLY
