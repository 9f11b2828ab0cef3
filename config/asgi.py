"""The ASGI entry point."""

import os

from django.core.asgi import get_asgi_application

from config.startup import stop_if_told_wrong

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_asgi_application()
stop_if_told_wrong()
