"""Records a long import beside the request that asked for it, and says how far it is.

The recording is one transaction: whatever stops it, nothing of it stays and it can be asked for
again. How far it is stands in a file of the framework's cache, because on SQLite no second
connection can write while the recording holds the database; nothing rests on it.
"""

from __future__ import annotations

import contextvars
import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

from django.core.cache import caches
from django.db import connections
from django.db.models import F

from config.pages import refusal_of
from config.refusals import refuse
from lots import clock
from lots.ledger.recording import Act
from lots.models import ImportDraft
from lots.sheets.drafts import keep_failure, record_draft
from lots.sheets.record import telling

# Up to here a request records the import itself.
IN_REQUEST_ROWS_MAX: Final = 300
_TOLD_EVERY_S: Final = 0.5
# Without a word for so long, the recording is taken for ended by a stop of the server.
SILENT_AFTER_S: Final = 20.0
_KEPT_S: Final = 3600
_logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Progress:
    """How many rows a recording has done, and whether anything is still heard of it."""

    done: int
    is_heard: bool


def begin_recording(*, draft: ImportDraft, act: Act, again: bool = False) -> threading.Thread:
    """Starts recording the draft; asked for twice, it is recorded once all the same."""
    ImportDraft.objects.filter(pk=draft.pk).exclude(state=ImportDraft.State.RECORDED).update(
        state=ImportDraft.State.RECORDING,
        started_at=clock.now(),
        failure=None,
        version=F("version") + 1,
    )
    _tell(draft.pk, 0)
    context = contextvars.copy_context()
    thread = threading.Thread(
        target=context.run, args=(_record, draft.pk, act, again), name=f"import {draft.pk}"
    )
    thread.start()
    return thread


def progress_of(draft: ImportDraft) -> Progress:
    told = None
    with _nothing_rests_on_it():
        told = caches["progress"].get(_key(draft.pk))
    if told is None:
        return Progress(0, is_heard=False)
    done, at = told
    return Progress(min(done, draft.row_count), is_heard=time.time() - at < SILENT_AFTER_S)


def _record(pk: Any, act: Act, again: bool) -> None:
    told_at = time.monotonic()

    def told(done: int) -> None:
        nonlocal told_at
        if time.monotonic() - told_at >= _TOLD_EVERY_S:
            told_at = time.monotonic()
            _tell(pk, done)

    try:
        draft = ImportDraft.objects.get(pk=pk)
        with telling(told):
            record_draft(draft=draft, act=act, again=again)
    except Exception as error:
        refusal = refusal_of(error)
        if refusal is None:
            _logger.exception("import %s was not recorded", pk)
            refusal = refuse("broken_off", field="file")
        keep_failure(pk, refusal)
    finally:
        with _nothing_rests_on_it():
            caches["progress"].delete(_key(pk))
        connections.close_all()


def _tell(pk: Any, done: int) -> None:
    with _nothing_rests_on_it():
        caches["progress"].set(_key(pk), (done, time.time()), _KEPT_S)


@contextmanager
def _nothing_rests_on_it() -> Iterator[None]:
    """A full or locked disk keeps the progress from being told, and nothing else."""
    try:
        yield
    except OSError:
        _logger.warning("the progress of an import could not be told", exc_info=True)


def _key(pk: Any) -> str:
    return f"import-{pk}"
