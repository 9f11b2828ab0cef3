"""How the works is set up now."""

from __future__ import annotations

from lots.models import WorksSettings


def works_settings() -> WorksSettings:
    """The settings in force; those of a works that said nothing yet while there are none."""
    return WorksSettings.objects.first() or WorksSettings()


def is_one_persons() -> bool:
    """Whether who prepared something may approve it as well."""
    return works_settings().one_person
