"""gunicorn's settings, for `gunicorn -c config/running/serving.py config.wsgi`.

Threads suit a service that waits for its database; one writer at a time records, so more workers
speed up reading and not recording.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

# Before the site is loaded, which reads them.
os.environ.setdefault("LOG_FORMAT", "json")
os.environ.setdefault("LOG_LEVEL", "INFO")
# Where the workers keep their counters, empty at each start unless a folder is named.
_MADE = "parting-ledger-metrics-"
if "PROMETHEUS_MULTIPROC_DIR" not in os.environ:
    os.environ["PROMETHEUS_MULTIPROC_DIR"] = tempfile.mkdtemp(prefix=_MADE)

bind = os.environ.get("BIND", "127.0.0.1:8000")
workers = int(os.environ.get("WEB_CONCURRENCY", "2"))
worker_class = "gthread"
threads = int(os.environ.get("WEB_THREADS", "4"))
# A worker that gives no sign of life is replaced; month-end over a long history takes a while.
timeout = int(os.environ.get("WEB_TIMEOUT", "120"))
# On SIGTERM requests under way are answered before the workers stop.
graceful_timeout = int(os.environ.get("WEB_GRACEFUL_TIMEOUT", "30"))
keepalive = 5
max_requests = 20_000
max_requests_jitter = 2_000
# The site tells of each request itself: gunicorn's own line would hold paths, and some are keys.
accesslog = None
logger_class = "config.running.serving_log.SiteLogger"
proc_name = "parting-ledger"
# Whom to believe what was forwarded is the site's to say (TRUST_PROXY), not the peer's address.
forwarded_allow_ips = ""
# Signals are enough to steer it; no socket in the home folder of whoever starts it.
control_socket_disable = True


def child_exit(server: Any, worker: Any) -> None:
    """A worker that has gone keeps its counts and gives up its gauges."""
    from prometheus_client.multiprocess import mark_process_dead  # noqa: PLC0415 - needs the folder

    mark_process_dead(worker.pid)  # type: ignore[no-untyped-call]


def on_exit(server: Any) -> None:
    """The counters go with the server; Prometheus takes a counter's new start into account."""
    folder = Path(os.environ["PROMETHEUS_MULTIPROC_DIR"])
    if folder.name.startswith(_MADE):
        shutil.rmtree(folder, ignore_errors=True)
