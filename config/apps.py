from django.apps import AppConfig
from django.contrib.admin import apps as admin_apps


class SiteConfig(AppConfig):
    name = "config"
    verbose_name = "Site"
    default_auto_field = "django.db.models.BigAutoField"
    default = True


class AdminConfig(admin_apps.AdminConfig):
    default_site = "config.admin.SuperusersSite"
    default = False
