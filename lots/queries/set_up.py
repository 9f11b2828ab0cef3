"""Whether the works is set up yet, and the code by which somebody elsewhere may do it."""

from __future__ import annotations

import logging
from typing import Final

from django.contrib.auth import get_user_model
from django.db import DEFAULT_DB_ALIAS, Error, connection
from django.utils.crypto import salted_hmac

from lots.ledger.raw_sql import fetch
from lots.people.ways_in import SIGNS

_log: Final = logging.getLogger(__name__)
_LENGTH: Final = 12
# People are never taken away, so that nothing can make it untrue again.
_known: Final[set[str]] = set()


def is_set_up() -> bool:
    """Whether there is anybody who can sign in. Asked for until there is."""
    if DEFAULT_DB_ALIAS in _known:
        return True
    found = get_user_model()._default_manager.using(DEFAULT_DB_ALIAS).exists()
    if found and not connection.in_atomic_block:  # else it may be taken back with this transaction
        _known.add(DEFAULT_DB_ALIAS)
    return found


def set_up_code() -> str:
    """The code that whoever sets the works up from another machine has to know.

    It follows from the site's secret and the moment of the database's first migration, so that
    every process tells the same one, and another database has another. Of no use once somebody can
    sign in.
    """
    ((begun,),) = fetch("SELECT MIN(applied) FROM django_migrations")
    digest = salted_hmac("lots.set_up", str(begun), algorithm="sha256").digest()
    signs = "".join(SIGNS[byte % len(SIGNS)] for byte in digest[:_LENGTH])
    return "-".join(signs[at : at + 4] for at in range(0, _LENGTH, 4))


def tell_code() -> None:
    """Says the code where the server's lines go, while nobody can sign in."""
    try:
        if not is_set_up():
            _log.warning(
                "This works is not set up: open the site. From another machine it asks for the "
                "code %s",
                set_up_code(),
            )
    except Error:  # no tables yet, which is not for this to tell
        return
