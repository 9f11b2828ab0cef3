"""Which of the cells' tables the database keeps from being changed."""

from __future__ import annotations

from typing import Final

from django.db.backends.base.schema import BaseDatabaseSchemaEditor

from lots.ledger import guards

APPEND_ONLY: Final = (
    "cells_electrolytereading",
    "cells_runmovement",
    "cells_runreading",
    "cells_readingwithdrawal",
    "cells_coulombcount",
    "cells_harvestbalance",
    "cells_slimesestimate",
    "cells_recoveryoutcome",
)
# Tables that came after the first guards, installed by their own migration.
POWER: Final = ("cells_powerstatement", "cells_powerstatementwithdrawal")


def install(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """For migrations."""
    guards.append_only(schema_editor.connection, APPEND_ONLY)


def remove(apps: object, schema_editor: BaseDatabaseSchemaEditor) -> None:
    """For un-migrating, and for emptying test tables."""
    guards.changeable(schema_editor.connection, APPEND_ONLY)
