"""How a change is recorded: one transaction, one writer, once per idempotency key."""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from decimal import Decimal
from typing import Any, Final, ParamSpec, Protocol, TypeVar, cast

from django.apps import apps
from django.conf import settings
from django.contrib.auth.models import AbstractBaseUser
from django.core.files.base import File
from django.db import transaction
from django.db.models import Model

from config.refusals import refuse
from lots import clock
from lots.ledger.ledger_head import Head, read_head
from lots.ledger.raw_sql import fetch
from lots.ledger.sealing import sealing
from lots.models import RecordedRequest
from lots.services.works_zone import fix_zone
from lots.texts import checked_text

P = ParamSpec("P")
M = TypeVar("M", bound=Model)
KEY_LENGTH_MAX = 80
NOTE_LENGTH_MAX = 500
FUTURE_ALLOWANCE: Final = dt.timedelta(minutes=2)


class Doubter(Protocol):
    """Looks at what a service is told; what it returns is called with what was recorded."""

    def __call__(
        self, service: Callable[..., Any], arguments: Mapping[str, Any]
    ) -> Callable[[Model], None]: ...


@dataclass(frozen=True)
class Act:
    """Who records something, when it happened on the floor, and the request's idempotency key.

    `occurred_at` None means now. An empty `key` records the request without replay protection:
    for scripts that run inside one transaction of their own.
    """

    who: AbstractBaseUser
    occurred_at: dt.datetime | None = None
    key: str = ""
    note: str = ""
    # Asks about unlikely figures before they are recorded; None where nobody could answer.
    doubter: Doubter | None = field(default=None, compare=False)

    @property
    def moment(self) -> dt.datetime:
        """When it happened; `recorded_once` has filled it in by the time a service runs."""
        assert self.occurred_at is not None
        return self.occurred_at


def lock_ledger() -> Head:
    """Takes the ledger's single writer's lock for the rest of the transaction.

    Every service takes this lock and no other, first, so writers queue and can't deadlock.
    """
    return read_head(is_locking=True)


def recorded_once(service: Callable[P, M]) -> Callable[P, M]:
    """Makes a service atomic, serial and idempotent.

    The service takes keyword arguments only, `act: Act` among them, and returns the saved thing it
    recorded. A repeat with the same key and the same arguments returns that thing again and writes
    nothing; the same key with other arguments is refused (409 `idempotency_key_reused`).
    """
    action = service.__name__

    @functools.wraps(service)
    def record(*args: P.args, **kwargs: P.kwargs) -> M:
        assert not args, "services take keyword arguments only"
        act = kwargs["act"]
        assert isinstance(act, Act)
        _check_act(act)
        with transaction.atomic():
            head = lock_ledger()
            fingerprint = fingerprint_of(action, kwargs)
            if act.key and _is_recorded(act.key):
                return cast(M, _same_again(act.key, action, fingerprint))
            now = clock.now()
            moment = act.occurred_at or now
            check_not_future(moment, max(now, head.last_recorded_at or now))
            kwargs["act"] = replace(act, occurred_at=moment)
            with sealing(head):
                if settings.WORKS_TIME_ZONE:
                    fix_zone()
                settle = act.doubter(record, kwargs) if act.doubter else None
                result = service(**kwargs)  # type: ignore[call-arg]
                if settle is not None:
                    settle(result)
            if act.key:
                RecordedRequest.objects.create(
                    key=act.key,
                    action=action,
                    fingerprint=fingerprint,
                    result_model=result._meta.label,
                    result_pk=result.pk,
                    recorded_at=clock.now(),
                    recorded_by_id=act.who.pk,
                )
            return result

    return record


def check_not_future(moment: dt.datetime, now: dt.datetime, *, field: str = "occurred_at") -> None:
    """Refuses a moment still to come (`in_the_future`), clocks of two machines apart allowed."""
    if moment > now + FUTURE_ALLOWANCE:
        raise refuse("in_the_future", field=field, value=moment.isoformat())


def remember_answer(key: str, answer: dict[str, Any]) -> dict[str, Any]:
    """The answer first given under this key: stored now if none was, else the stored one."""
    if not key:
        return answer
    RecordedRequest.objects.filter(key=key, answer__isnull=True).update(answer=answer)
    stored = RecordedRequest.objects.get(key=key).answer
    assert isinstance(stored, dict)
    return stored


def fingerprint_of(action: str, arguments: Mapping[str, Any]) -> str:
    """A digest of what was asked, equal for equal requests."""
    text = json.dumps([action, _plain(arguments)], sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    """`value` as JSON-ready data; models by label and primary key, files by content."""
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, Model):
        return [value._meta.label, value.pk]
    if isinstance(value, Decimal):
        return f"decimal {value.normalize():f}"
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    if isinstance(value, dt.date | dt.timedelta | float):
        return str(value)
    if isinstance(value, File):
        digest = hashlib.sha256()
        for chunk in value.chunks():
            digest.update(chunk)
        value.seek(0)
        return ["file", value.name, digest.hexdigest()]
    if isinstance(value, bytes):
        return hashlib.sha256(value).hexdigest()
    if is_dataclass(value) and not isinstance(value, type):
        return {
            each.name: _plain(getattr(value, each.name)) for each in fields(value) if each.compare
        }
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, Sequence | set | frozenset):
        items = [_plain(each) for each in value]
        return items if isinstance(value, Sequence) else sorted(items, key=str)
    raise TypeError(f"a service argument of type {type(value).__name__} has no fingerprint")


def _check_act(act: Act) -> None:
    if len(act.key) > KEY_LENGTH_MAX:
        raise refuse(
            "too_long", field="Idempotency-Key", value=act.key, key_length_max=KEY_LENGTH_MAX
        )
    checked_text(act.note, field="note", limit=NOTE_LENGTH_MAX)
    if act.occurred_at is not None and act.occurred_at.tzinfo is None:
        raise refuse("no_time_zone", field="occurred_at", value=act.occurred_at)


def _is_recorded(key: str) -> bool:
    return bool(fetch("SELECT 1 FROM lots_recordedrequest WHERE key = %s", [key]))


def _same_again(key: str, action: str, fingerprint: str) -> Model:
    earlier = RecordedRequest.objects.get(key=key)
    if earlier.action != action or earlier.fingerprint != fingerprint:
        raise refuse("idempotency_key_reused", field="Idempotency-Key", value=earlier.key)

    model: type[Model] = apps.get_model(earlier.result_model)
    return model._default_manager.get(pk=earlier.result_pk)
