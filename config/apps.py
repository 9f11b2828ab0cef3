from django.apps import AppConfig


class SiteConfig(AppConfig):
    name = "config"
    verbose_name = "Site"
    default_auto_field = "django.db.models.BigAutoField"
