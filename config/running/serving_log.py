"""gunicorn's own lines (start, stop, a worker lost) in the site's form."""

from __future__ import annotations

import logging
from typing import Any

from gunicorn.glogging import Logger

from config.running.logs import JsonLines


class SiteLogger(Logger):
    """gunicorn's logger, writing JSON lines to standard error."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(JsonLines())
        self.error_log.propagate = False
        self.error_log.setLevel(logging.INFO)
