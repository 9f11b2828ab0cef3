from django.apps import AppConfig


class CellsConfig(AppConfig):
    name = "cells"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Each event registers how its movement is undone, whoever reverses it.
        from cells.services import (  # noqa: F401, PLC0415
            charge,
            close_run,
            harvest,
            prepare_electrolyte,
            remnant,
            rinse_water,
            slimes_bag,
        )
