"""How many bytes an entry takes on PostgreSQL, tables and indexes, with all that goes with it.

    python tests/bench/bench_disk.py --entries 100000 1000000 --database postgres://...

Each size gets a database of its own, which is thrown away. Sizes are of rows freshly written in
bulk, without the holes that updates leave: the ledger's rows are never updated.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.throwaway import database, in_child

SHOWN = 12


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--entries", type=int, nargs="+", default=[100_000])
    parser.add_argument("--database", required=True, help="A server, by any database of it.")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        sys.stdout.write(json.dumps(_measure(options.entries[0])))
        return
    for entries in options.entries:
        with database(options.database) as url:
            _print(in_child(__file__, ["--one", "--database", "x", "--entries", str(entries)], url))


def _measure(entries: int) -> dict[str, float]:
    """Bytes of each table and of its indexes, and how many rows there are, by name."""
    import django  # noqa: PLC0415 the settings come from the environment made above

    django.setup()
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connection  # noqa: PLC0415

    from tests.bench.history import write_history  # noqa: PLC0415
    from tests.conftest import MORNING, build_works  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    counts = write_history(entries, build_works(), MORNING)
    figures: dict[str, float] = {f"rows {name}": count for name, count in counts.items()}
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")
        cursor.execute(
            "SELECT relname, pg_table_size(oid), pg_indexes_size(oid) FROM pg_class "
            "WHERE relkind = 'r' AND relname LIKE ANY (ARRAY['lots_%', 'cells_%', 'reports_%'])"
        )
        for table, plain, indexes in cursor.fetchall():
            figures[f"table {table}"], figures[f"indexes {table}"] = plain, indexes
        cursor.execute("SELECT pg_database_size(current_database())")
        figures["database"] = cursor.fetchone()[0]
    return figures


def _print(figures: dict[str, float]) -> None:
    entries, movements = figures["rows entry"], figures["rows movement"]
    whole = sum(size for name, size in figures.items() if name.startswith(("table ", "indexes ")))
    sys.stdout.write(
        f"\n{entries:.0f} entries in {movements:.0f} movements ({entries / movements:.2f} each); "
        f"{whole / entries:.0f} bytes an entry with all that goes with it, "
        f"{whole / movements:.0f} a movement\n"
    )
    tables = sorted(
        (name.removeprefix("table ") for name in figures if name.startswith("table ")),
        key=lambda name: -figures[f"table {name}"] - figures[f"indexes {name}"],
    )
    for name in tables[:SHOWN]:
        plain, indexes = figures[f"table {name}"], figures[f"indexes {name}"]
        sys.stdout.write(
            f"  {name:<24} {plain / entries:7.1f} + {indexes / entries:6.1f} bytes an entry "
            f"(rows + indexes)\n"
        )


if __name__ == "__main__":
    main()
