from django.apps import AppConfig

from cells.guards import APPEND_ONLY, SEALED


class CellsConfig(AppConfig):
    name = "cells"
    default_auto_field = "django.db.models.BigAutoField"
    append_only_tables = APPEND_ONLY
    sealed_tables = SEALED
    searched = "cells.queries.searched.SEARCHED"

    def ready(self) -> None:
        # Each event registers how its movement is undone, whoever reverses it.
        from cells.services import (  # noqa: F401, PLC0415
            bleed,
            charge,
            close_run,
            harvest,
            import_opened,
            import_readings,
            measure_electrolyte,
            open_bag,
            prepare_electrolyte,
            remnant,
            rinse_water,
            slimes_bag,
            slimes_recovery,
            top_up,
        )
