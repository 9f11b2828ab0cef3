"""The server: waitress, on every system that Python runs on.

It reads a request to its last byte before a thread is taken, and takes the answer off the thread's
hands, so that clients that send or read slowly hold up nobody. One process with threads suits a
service that waits for its database: one writer at a time records, however many processes there are.
"""

from __future__ import annotations

import copy
import logging
import logging.config
import os
import select
import signal
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from django.conf import settings
from waitress import create_server, wasyncore

# Beyond it the server refuses a body by itself; up to it the site says in its own words what it
# takes (`config.bodies`).
BODY_BYTES_MAX: Final = 64 * 1024 * 1024
# A client that is silent for so long loses its connection.
SILENCE_S_MAX: Final = 60
# Seconds that a request half sent gets when the server stops.
READ_S_MAX: Final = 3
_log = logging.getLogger(__name__)
_CAN_POLL: Final = hasattr(select, "poll")
# select(), which is all that Windows has, takes 512 sockets.
CONNECTIONS_MAX: Final = 1000 if _CAN_POLL else 450


def serve(application: Callable[..., Any], bind: str, on_start: Callable[[], None]) -> None:
    """Answers until it is told to stop (SIGTERM, SIGINT), then ends what is under way.

    Raises OSError when the address can't be listened on, ValueError when it is none.
    """
    server = create_server(
        application,
        listen=bind,
        threads=int(os.environ.get("WEB_THREADS", "8")),
        ident=None,
        connection_limit=CONNECTIONS_MAX,
        channel_timeout=SILENCE_S_MAX,
        max_request_body_size=BODY_BYTES_MAX,
        asyncore_use_poll=_CAN_POLL,
        # Whom to believe what was forwarded is the site's to say (TRUST_PROXY).
        clear_untrusted_proxy_headers=False,
    )
    stopping = threading.Event()
    for name in ("SIGTERM", "SIGINT", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: stopping.set())
    on_start()
    _log.info("serving")
    while not stopping.is_set():
        _turn(server)
    _log.info("stopping")
    server.accepting = False
    server.del_channel()
    server.socket.close()
    until = time.monotonic() + int(os.environ.get("WEB_GRACEFUL_TIMEOUT", "30"))
    # What was being sent already is read to its end, if that comes soon.
    until_read = time.monotonic() + READ_S_MAX
    while time.monotonic() < until and _is_busy(server, time.monotonic() < until_read):
        _turn(server)
    server.task_dispatcher.shutdown(timeout=1)


def log_as_served() -> None:
    """JSON lines from INFO upwards, where the environment does not say otherwise."""
    told: dict[str, Any] = copy.deepcopy(settings.LOGGING)
    if "LOG_FORMAT" not in os.environ:
        told["handlers"]["stderr"]["formatter"] = "json"
    if "LOG_LEVEL" not in os.environ:
        told["root"]["level"] = "INFO"
    # It tells of each request that waited for a thread; the site's own line says how long it took.
    told["loggers"] = {"waitress.queue": {"level": "ERROR"}}
    logging.config.dictConfig(told)


def _turn(server: Any) -> None:
    wasyncore.loop(timeout=0.5, map=server._map, use_poll=_CAN_POLL, count=1)


def _is_busy(server: Any, reads: bool) -> bool:
    channels = [*server.active_channels.values()]
    return any(
        channel.requests or channel.total_outbufs_len or (reads and channel.request is not None)
        for channel in channels
    )
