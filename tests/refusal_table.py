"""Writes `docs/refusals.md` from the catalogue of refusals: `python -m tests.refusal_table`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from config.refusals import CATALOGUE

PAGE: Final = Path(__file__).resolve().parents[1] / "docs" / "refusals.md"
HEAD: Final = """# Refusals

Each is answered as `{code, field, value, message, remedy}`. Checks of a request's shape add the
framework's own codes: `required`, `invalid`, `invalid_choice`, `does_not_exist`, `null`, `blank`,
`max_length`, `min_value`, `unknown_field`, `not_a_list`, `parse_error` (400), `not_authenticated`
(401), `permission_denied` (403), `unknown` and `not_found` (404), `method_not_allowed` (405),
`busy` (503). A code with several rows says something else in different places. This page is written
by `python -m tests.refusal_table`.

| code | HTTP | says | what to do |
|---|---|---|---|
"""


def text() -> str:
    rows = [
        f"| `{name.partition(':')[0]}` | {entry['status']} | {_cell(entry['says'])} | "
        f"{_cell(entry.get('remedy', ''))} |\n"
        for name, entry in sorted(CATALOGUE.items())
    ]
    return HEAD + "".join(rows)


def _cell(words: str) -> str:
    return words.replace("|", "\\|").replace("\n", " ")


if __name__ == "__main__":
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(text())
