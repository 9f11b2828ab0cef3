"""The WSGI entry point, for gunicorn and its like."""

import os

from django.core.wsgi import get_wsgi_application

from config.startup import stop_if_told_wrong

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_wsgi_application()
stop_if_told_wrong()
