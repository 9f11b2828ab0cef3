"""What a manager must see to so that the books outlive the machine."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Final

from lots.keeping.backup_folder import Kept
from lots.keeping.chores import last_ran
from reports.queries.to_do import Attention, Urgency

OLD_AFTER: Final = dt.timedelta(days=3)


def backup_matters(found: Kept, now: dt.datetime) -> Iterator[Attention]:
    """The folder, the age of the last verified backup, and chores that failed; asks no database."""
    if not found.choice.folder:
        text = "No folder is chosen for backups, so they lie on the same disk as the books"
        yield _matter(Urgency.SOON, text)
    elif not found.is_there:
        yield _matter(Urgency.TODAY, f"The folder for backups is gone: {found.choice.folder}")
    elif found.last_at is None:
        yield _matter(Urgency.SOON, "No verified backup lies in the folder yet")
    if is_old(found, now):
        yield _matter(Urgency.TODAY, "The last verified backup is old", found.last_at)
    for name, ran in last_ran().items():
        if not ran.is_well and (name != "backup" or found.is_there):
            yield _matter(Urgency.TODAY, f"Daily chore failed: {name}. {ran.said}", ran.tried_at)


def is_old(found: Kept, now: dt.datetime) -> bool:
    """Whether the last verified backup is older than three days."""
    return found.last_at is not None and now - found.last_at > OLD_AFTER


def _matter(urgency: Urgency, text: str, since: dt.datetime | None = None) -> Attention:
    return Attention(urgency, "backups", "", text, since)
