"""Somebody tries to sign in, to get a token or to open a link: counted, held up, kept.

The counts are in the database, so that all workers hold up alike.
"""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from django.db.models import Count, Max
from django.utils.crypto import salted_hmac

from config.refusals import TooManyError
from lots import clock
from lots.models import SignInAttempt
from lots.people.waiting import left_s

FREE_BY_NAME: Final = 5
FREE_BY_ADDRESS: Final = 20
WINDOW: Final = dt.timedelta(hours=1)
KNOWN_FOR: Final = dt.timedelta(days=30)
KEPT_FOR: Final = dt.timedelta(days=60)
FORGETS_EVERY: Final = 100  # attempts, so that hardly one of them waits for it
_SALT: Final = "lots.sign_in_name"


def knock(*, door: str, name: str, address: str | None) -> SignInAttempt:
    """Counts an attempt as failed until `let_in` says otherwise, so that many at once count too.

    Raises TooManyError `too_many_attempts`. One address's failures never hold up a name that
    signed in from there in the last thirty days: a works behind one address goes on working.
    """
    digest = digest_of_name(name)
    check_door(door=door, digest=digest, address=address)
    attempt = SignInAttempt.objects.create(
        at=clock.now(), door=door, name_digest=digest, address=address, succeeded=False
    )
    if attempt.pk % FORGETS_EVERY == 0:
        SignInAttempt.objects.filter(at__lt=attempt.at - KEPT_FOR).delete()
    return attempt


def let_in(attempt: SignInAttempt, user: Any) -> None:
    """The attempt was the person's own: its name starts again."""
    attempt.user_id, attempt.succeeded = user.pk, True
    attempt.save(update_fields=["user", "succeeded"])


def check_door(*, door: str, digest: str, address: str | None) -> None:
    """Raises TooManyError `too_many_attempts` while somebody has to wait."""
    now = clock.now()
    waits = [_left_by_name(digest, now)] if digest else []
    if address and not _is_known(digest, address, now):
        waits.append(_left_by_address(address, door, now))
    if any(waits):
        raise TooManyError(max(waits))


def digest_of_name(name: str) -> str:
    """The name as it is kept and compared: whether capital or small, and not to be read."""
    return salted_hmac(_SALT, name.casefold(), algorithm="sha256").hexdigest() if name else ""


def _left_by_name(digest: str, now: dt.datetime) -> int:
    tried = SignInAttempt.objects.filter(name_digest=digest, at__gt=now - WINDOW)
    since = tried.filter(succeeded=True).aggregate(Max("at"))["at__max"]
    failed = tried.filter(succeeded=False, **({"at__gt": since} if since else {}))
    return _left(failed, FREE_BY_NAME, now)


def _left_by_address(address: str, door: str, now: dt.datetime) -> int:
    failed = SignInAttempt.objects.filter(address=address, at__gt=now - WINDOW, succeeded=False)
    if door == SignInAttempt.Door.LINK:
        failed = failed.filter(door=door)
    return _left(failed, FREE_BY_ADDRESS, now)


def _left(failed: Any, free: int, now: dt.datetime) -> int:
    counted = failed.aggregate(failures=Count("pk"), last=Max("at"))
    return left_s(counted["failures"], free, counted["last"], now)


def _is_known(digest: str, address: str, now: dt.datetime) -> bool:
    return bool(digest) and (
        SignInAttempt.objects.filter(
            name_digest=digest, address=address, succeeded=True, at__gt=now - KNOWN_FOR
        ).exists()
    )
