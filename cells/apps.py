from django.apps import AppConfig

from cells.guards import APPEND_ONLY, POWER


class CellsConfig(AppConfig):
    name = "cells"
    default_auto_field = "django.db.models.BigAutoField"
    append_only_tables = (*APPEND_ONLY, *POWER)
    searched = "cells.pages.menu.SEARCHED"
    daily_chores = {"warnings": "cells.services.cell_warnings.look_at_stale"}

    def ready(self) -> None:
        # Each event registers how its movement is undone, whoever reverses it.
        from lots.declaration.event import events_of  # noqa: PLC0415

        events_of("cells")
