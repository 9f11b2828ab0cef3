"""Whether this process lives, and whether it can take requests now.

Strangers learn a code for each thing that is wrong; what exactly is wrong stands in the log.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from typing import Final

from django.apps import apps
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.http import HttpRequest, JsonResponse
from django.utils.module_loading import import_string
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

logger = logging.getLogger(__name__)

DATABASE_UNAVAILABLE: Final = "database_unavailable"
MIGRATIONS_PENDING: Final = "migrations_pending"
DISK_LOW: Final = "disk_low"


@never_cache
@require_safe
def live(request: HttpRequest) -> JsonResponse:
    """The process answers. Asks nothing of the database, so that its outage restarts nobody."""
    return JsonResponse({"live": True})


@never_cache
@require_safe
def ready(request: HttpRequest) -> JsonResponse:
    """200 when requests can be recorded, else 503 with the reasons' codes."""
    reasons = list(_reasons())
    return JsonResponse({"ready": not reasons, "reasons": reasons}, status=503 if reasons else 200)


def _reasons() -> Iterator[str]:
    if shutil.disk_usage(settings.DATA_DIR).free < settings.DISK_FREE_BYTES_MIN:
        logger.error("disk low: less than %s bytes free", settings.DISK_FREE_BYTES_MIN)
        yield DISK_LOW
    try:
        if pending := pending_migrations():
            logger.error("migrations pending: %s", ", ".join(pending))
            yield MIGRATIONS_PENDING
            return
        yield from _app_reasons()
    except DatabaseError as error:
        logger.error("the database does not answer: %s", type(error).__name__)
        connection.close()
        yield DATABASE_UNAVAILABLE


def _app_reasons() -> Iterator[str]:
    """What the apps miss: each names, as `AppConfig.readiness`, a code and a function.

    The function answers the names of what is missing.
    """
    for config in apps.get_app_configs():
        for code, name in getattr(config, "readiness", {}).items():
            tell: Callable[[], list[str]] = import_string(name)
            if missing := tell():
                logger.error("%s: %s", code, ", ".join(missing))
                yield code


def pending_migrations() -> list[str]:
    """Migrations of this code that the database has not seen, as `app.name`; one statement."""
    applied = set(MigrationRecorder(connection).applied_migrations())
    return [f"{app}.{name}" for app, name in sorted(_known_migrations() - applied)]


@cache
def _known_migrations() -> set[tuple[str, str]]:
    loader = MigrationLoader(None, ignore_no_migrations=True)
    return set(loader.disk_migrations)
