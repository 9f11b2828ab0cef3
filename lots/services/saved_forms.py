"""A form is put aside to be finished later, on whatever device, and thrown away when it is done.

Nothing here touches the books, so nothing queues for the ledger's lock.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from typing import Final

from django.contrib.auth.models import AbstractBaseUser
from django.db import transaction

from config.refusals import refuse
from lots import clock
from lots.models import KeptForm

KEPT_FOR: Final = dt.timedelta(days=30)
KEPT_MAX: Final = 50
TEXT_MAX: Final = 20_000
ADDRESS_MAX: Final = 300


def keep_form(
    *, user: AbstractBaseUser, address: str, title: str, values: Sequence[tuple[str, str]]
) -> KeptForm:
    """Keeps what stands in a form, in place of what was kept of it before.

    What has expired is thrown away at the same time. Raises InvalidError `too_large`; ConflictError
    `too_many`.
    """
    pairs = [[name, text] for name, text in values]
    if len(json.dumps(pairs)) > TEXT_MAX or len(address) > ADDRESS_MAX:
        raise refuse("too_large:saved_forms")
    now = clock.now()
    with transaction.atomic():
        own = KeptForm.objects.filter(user_id=user.pk)
        own.filter(expires_at__lte=now).delete()
        if own.exclude(address=address).count() >= KEPT_MAX:
            raise refuse("too_many:saved_forms", kept_max=KEPT_MAX)
        kept, _ = own.update_or_create(
            address=address,
            defaults={
                "user_id": user.pk,
                "title": title[:120],
                "values": pairs,
                "kept_at": now,
                "expires_at": now + KEPT_FOR,
            },
        )
    return kept


def drop_form(*, user: AbstractBaseUser, address: str) -> None:
    """Throws away what was kept of a form: it was recorded, or is not wanted any more."""
    KeptForm.objects.filter(user_id=user.pk, address=address).delete()
