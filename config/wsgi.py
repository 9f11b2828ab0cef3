"""The WSGI entry point, for waitress and its like."""

import os
from collections.abc import Callable, Iterable
from typing import Any

from django.core.wsgi import get_wsgi_application

from config.startup import stop_if_told_wrong

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

_site = get_wsgi_application()
stop_if_told_wrong()

from config.bodies import readable_type  # noqa: E402 - the settings come first


def application(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    """The site, to which no header is handed that it fails on before it can say so."""
    environ["CONTENT_TYPE"] = readable_type(environ.get("CONTENT_TYPE", ""))
    return _site(environ, start_response)
