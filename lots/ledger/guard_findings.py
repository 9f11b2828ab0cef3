"""Which triggers do not guard the tables as they should, to the letter."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from django.db import connection

from lots.ledger import guards

Row = dict[str, object]

# Neither engine's text tells whether a trigger fires at all. A session may be set to act as a
# replica, which fires only what always fires.
_INSTALLED: Final = {
    "postgresql": """
SELECT t.tgname, pg_get_triggerdef(t.oid, true) || ' ' || replace(
         pg_get_functiondef(t.tgfoid), 'FUNCTION ' || quote_ident(n.nspname) || '.', 'FUNCTION '),
       t.tgenabled = 'A'
         OR t.tgenabled = 'O' AND current_setting('session_replication_role') <> 'replica'
FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid JOIN pg_namespace n ON n.oid = p.pronamespace
WHERE NOT t.tgisinternal AND t.tgrelid IN (SELECT oid FROM pg_class WHERE pg_table_is_visible(oid))
""",
    "sqlite": "SELECT name, sql, 1 FROM sqlite_master WHERE type = 'trigger'",
}


def faulty_guards() -> Iterator[Row]:
    """Every trigger that is absent, switched off, or has another text than it should."""
    with connection.cursor() as cursor:
        cursor.execute(_INSTALLED[connection.vendor])
        installed = {name: (text, fires) for name, text, fires in cursor.fetchall()}
    for name, text in guards.expected_triggers(connection.vendor).items():
        found, fires = installed.get(name, ("", False))
        if not found:
            yield {"trigger": name, "found": "missing"}
        elif not fires:
            yield {"trigger": name, "found": "switched off"}
        elif _plain(found) != _plain(text):
            yield {"trigger": name, "found": "changed", "text": found}


def absent_triggers() -> list[str]:
    """The names of the triggers that should guard the tables and do not; one statement."""
    return [str(row["trigger"]) for row in faulty_guards()]


def _plain(text: str) -> str:
    """Apart from spaces and quotes, which an engine may put otherwise."""
    return " ".join(text.replace('"', "").replace("$function$", "$$").split())
