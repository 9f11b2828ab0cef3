"""Exits 0 when a PostgreSQL server answers on 127.0.0.1:5432 for the user postgres."""

import sys

import psycopg

try:
    psycopg.connect("postgres://postgres@127.0.0.1:5432/postgres", connect_timeout=3).close()
except psycopg.OperationalError as error:
    sys.exit(f"no PostgreSQL on 127.0.0.1:5432: {error}")
