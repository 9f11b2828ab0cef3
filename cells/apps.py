from django.apps import AppConfig


class CellsConfig(AppConfig):
    name = "cells"
    default_auto_field = "django.db.models.BigAutoField"
