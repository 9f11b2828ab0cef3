"""Settings, all from the environment; without any, a safe local set-up on SQLite."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Any

import dj_database_url

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(os.environ.get("DATA_DIR", BASE_DIR / "var"))


def _flag(name: str, default: bool) -> bool:
    return os.environ.get(name, "1" if default else "0").strip().lower() in {"1", "true", "yes"}


def _secret_key() -> str:
    """SECRET_KEY from the environment, else one made once and kept private in the data folder."""
    given = os.environ.get("SECRET_KEY")
    if given:
        return given
    kept = DATA_DIR / "secret.key"
    if not kept.exists():
        DATA_DIR.mkdir(parents=True, exist_ok=True)
        try:
            handle = os.open(kept, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:  # another process made it meanwhile
            return kept.read_text("utf-8")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(secrets.token_urlsafe(50))
    return kept.read_text("utf-8")


SECRET_KEY = _secret_key()
DEBUG = _flag("DEBUG", default=False)
ALLOWED_HOSTS = [
    host.strip()
    for host in os.environ.get("ALLOWED_HOSTS", "127.0.0.1,localhost,[::1]").split(",")
    if host.strip()
]
CSRF_TRUSTED_ORIGINS = [
    origin.strip()
    for origin in os.environ.get("CSRF_TRUSTED_ORIGINS", "").split(",")
    if origin.strip()
]

INSTALLED_APPS = [
    "config.apps.AdminConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "rest_framework",
    "django_filters",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "django_htmx",
    "config",
    "lots",
    "cells",
    "reports",
]

MIDDLEWARE = [
    "config.running.request_record.keep_record",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "config.pages.content_policy",
    "config.bodies.check_body",
    "config.pages.DatabaseTrouble",
    "lots.pages.works_time.in_works_time",
    "lots.pages.set_up.set_up_first",
    "lots.people.own_password.PasswordFirst",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "lots.people.access.shell",
            ],
        },
    },
]

_DATABASE: dict[str, Any] = dict(
    dj_database_url.config(
        default=f"sqlite:///{DATA_DIR / 'ledger.sqlite3'}", conn_max_age=60, conn_health_checks=True
    )
)
if _DATABASE["ENGINE"] == "django.db.backends.sqlite3":
    # Writers queue from their first statement instead of failing half-way, and a ledger
    # syncs every commit to disk.
    _DATABASE["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": (
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;"
            "PRAGMA busy_timeout=20000; PRAGMA cache_size=-64000;"
        ),
    }
    _DATABASE["CONN_MAX_AGE"] = 0
else:
    _DATABASE.setdefault("OPTIONS", {}).setdefault("connect_timeout", 5)
    if _flag("DATABASE_POOLER", default=False):
        # A pooler hands a connection on after each transaction, and a cursor does not go along.
        _DATABASE["DISABLE_SERVER_SIDE_CURSORS"] = True
    else:
        # Whoever waits for the ledger's one lock is told to come again rather than kept for ever,
        # and nobody holds it while doing nothing. A pooler takes no options: set them for the role.
        _DATABASE["OPTIONS"].setdefault(
            "options", "-c lock_timeout=20000 -c idle_in_transaction_session_timeout=60000"
        )
    if _POOL_MAX := int(os.environ.get("DATABASE_POOL_MAX", "0")):
        # This process's threads share connections, which are kept open for good.
        _DATABASE["OPTIONS"]["pool"] = {"min_size": 1, "max_size": _POOL_MAX, "timeout": 10}
        _DATABASE["CONN_MAX_AGE"] = 0
DATABASES = {"default": _DATABASE}
if "REPORTS_DATABASE_URL" in os.environ:
    # A replica that reports are read from; tests have their own where they need one.
    DATABASES["reports"] = {
        **dict(dj_database_url.config(env="REPORTS_DATABASE_URL", conn_max_age=60)),
        "OPTIONS": {"connect_timeout": 5, "options": "-c default_transaction_read_only=on"},
        "TEST": {"MIRROR": "default"},
    }
DATABASE_ROUTERS = ["config.replica.ReadsWhereAsked"]

AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 12},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/sign-in/"

LANGUAGE_CODE = "en-gb"
# Font files that print what the papers' own font lacks (Chinese, say), in the order to look in.
PAPER_FONTS = [each for each in os.environ.get("PAPER_FONTS", "").split(os.pathsep) if each]
# Proposes the works' time zone until the database has one, which rules.
WORKS_TIME_ZONE = os.environ.get("WORKS_TIME_ZONE", "")
TIME_ZONE = WORKS_TIME_ZONE or "UTC"
USE_I18N = False
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = Path(os.environ.get("STATIC_ROOT", DATA_DIR / "static"))
STATIC_ROOT.mkdir(parents=True, exist_ok=True)  # the file server warns of a folder that is not
MEDIA_ROOT = DATA_DIR / "media"
# How far a long import is, for every process of this machine to read; nothing rests on it.
CACHES = {
    "default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"},
    "progress": {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_DIR / "progress",
    },
}
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "config.static_files.HashedOnceCollected"},
}
# The works' private key for signing statements; outside the database, made by make_signing_key.
SIGNING_KEY_FILE = Path(os.environ.get("SIGNING_KEY_FILE", DATA_DIR / "signing.key"))
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = DEBUG
WHITENOISE_ALLOW_ALL_ORIGINS = False
UPLOAD_BYTES_MAX = 10 * 1024 * 1024
# A whole request: a file of that size and the fields beside it.
DATA_UPLOAD_MAX_MEMORY_SIZE = UPLOAD_BYTES_MAX + 256 * 1024
FILE_UPLOAD_PERMISSIONS = 0o640

CSRF_FAILURE_VIEW = "config.pages.stale_form"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
# Behind TLS, HTTPS=1 turns on secure cookies, the redirect and HSTS.
_HTTPS = _flag("HTTPS", default=False)
SESSION_COOKIE_SECURE = _HTTPS
CSRF_COOKIE_SECURE = _HTTPS
SECURE_SSL_REDIRECT = _HTTPS
SECURE_HSTS_SECONDS = 31_536_000 if _HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = _HTTPS
SECURE_HSTS_PRELOAD = _HTTPS
# Asked over plain HTTP from this machine or its own network.
SECURE_REDIRECT_EXEMPT = [r"^health/", r"^metrics$"]
# Whether a proxy of ours stands before this, so that its forwarding headers are true.
TRUST_PROXY = _flag("TRUST_PROXY", default=False)
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if TRUST_PROXY else None

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "lots.people.token_authentication.ByToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["lots.people.permissions.WorksStaff"],
    "DEFAULT_PAGINATION_CLASS": "config.api.NumberedPages",
    "DEFAULT_FILTER_BACKENDS": [
        "config.api.StrictFilterBackend",
        "rest_framework.filters.SearchFilter",
        "config.api.StrictOrdering",
    ],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["config.parsers.ExactJSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "config.api.answer_problem",
    "COERCE_DECIMAL_TO_STRING": True,
    "PAGE_SIZE": 50,
}

SPECTACULAR_SETTINGS = {
    "TITLE": "Parting Ledger",
    "DESCRIPTION": "Where every troy ounce is, whose it is, how sure that is, what was lost where.",
    "VERSION": "1.0.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "REDOC_DIST": "SIDECAR",
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "lots.api.schema_parts.name_parts",
        "config.api_problems.describe_problems",
    ],
    "ENUM_NAME_OVERRIDES": {
        "AssayBasis": "lots.models.Assay.Basis",
        "EntryBasis": "lots.models.Entry.Basis",
        "MovementKind": "lots.models.Movement.Kind",
        "PartyKind": "lots.models.Party.Kind",
        "ProcessKind": "lots.models.ProcessBatch.Kind",
        "LotForm": "lots.models.Lot.Form",
        "LotState": "lots.models.Lot.State",
        "LotContent": "lots.models.Lot.Content",
        "ProcessState": "lots.models.ProcessBatch.State",
        "ExcessState": "lots.models.Excess.State",
        "RunState": "cells.models.CellRun.State",
        "SlimesBagState": "cells.models.SlimesBag.State",
        "WarningState": "cells.models.CellWarning.State",
        "AssayMethod": "lots.models.Assay.Method",
        "CountMethod": "reports.models.CountLine.Method",
        "CountCause": "reports.models.CountAdjustment.Cause",
        "WriteOffCause": "lots.services.write_off.Cause",
        "SettlementKind": "reports.models.Settlement.Kind",
        "PaymentDirection": "reports.models.Payment.Direction",
        "DeliveryKind": "lots.models.DeliveryNote.Kind",
        "DocumentKind": "lots.models.Document.Kind",
        "DeliveryState": "lots.models.EventDelivery.State",
    },
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "text": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"},
        "json": {"()": "config.running.logs.JsonLines"},
    },
    "handlers": {
        "stderr": {
            "class": "logging.StreamHandler",
            "formatter": os.environ.get("LOG_FORMAT", "text"),
        }
    },
    "root": {"handlers": ["stderr"], "level": os.environ.get("LOG_LEVEL", "WARNING")},
}

# Without a token /metrics answers this machine alone.
METRICS_TOKEN = os.environ.get("METRICS_TOKEN", "")
DISK_FREE_BYTES_MIN = int(os.environ.get("DISK_FREE_MB_MIN", "256")) * 1024 * 1024

# Where messages may go: https to public addresses, unless a network of the works is named here.
WEBHOOK_PLAIN_HTTP = _flag("WEBHOOK_PLAIN_HTTP", default=False)
WEBHOOK_PRIVATE_NETWORKS = [
    network.strip()
    for network in os.environ.get("WEBHOOK_PRIVATE_NETWORKS", "").split(",")
    if network.strip()
]
WEBHOOK_SECONDS_MAX = 10
