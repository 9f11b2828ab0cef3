from django.apps import AppConfig


class LotsConfig(AppConfig):
    name = "lots"
    verbose_name = "Lots and ledger"
    default_auto_field = "django.db.models.BigAutoField"
