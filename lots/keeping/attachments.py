"""The files that rows name: which there are, which are missing, and where they lie."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from django.apps import apps
from django.conf import settings
from django.db import models

from config.refusals import refuse
from lots.keeping.files import PRIVATE_FILE, appearing, read_chunks, stored, write_file

ROWS_AT_ONCE: Final = 2000


def attachment_names() -> list[str]:
    """Every name of a stored file in any table, once, in order."""
    return sorted(set(_names()))


def attachment_path(name: str) -> Path:
    """Where a stored file lies on this machine."""
    return Path(settings.MEDIA_ROOT) / name


def bring_attachment(name: str, source: Path, brought: list[Path]) -> None:
    """Puts a copy of `source` where `name` belongs, and notes it in `brought`.

    A file that is there already stays. Raises ConflictError `paper_differs`.
    """
    target = attachment_path(name)
    if target.exists():
        if stored(target) != stored(source):
            raise refuse("paper_differs", field="attachments", value=name, target=target)
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    with appearing(target) as partial:
        write_file(partial, read_chunks(source))
        partial.chmod(settings.FILE_UPLOAD_PERMISSIONS or PRIVATE_FILE)
    brought.append(target)


def _names() -> Iterator[str]:
    for model in apps.get_models():
        for field in model._meta.local_concrete_fields:
            if isinstance(field, models.FileField):
                rows = model._base_manager.order_by().values_list(field.attname, flat=True)
                for name in rows.iterator(ROWS_AT_ONCE):
                    if name:
                        yield str(name)
