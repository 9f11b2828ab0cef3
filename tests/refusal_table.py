"""Writes the table of refusal codes at the end of DEVELOPERS.md: `python -m tests.refusal_table`.

What a row says already is kept; rows are added for codes new in the source and dropped for codes
that are gone, so the table and the source can't part. The API's kept description and the example
client made of it come from the source too, and are written along with it.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys

from tests.test_tidy import APPS, ROOT, refusal_codes, sources, tree

HEAD = "| code | HTTP | says | raised in |\n|---|---|---|---|\n"
STATUS = {
    "InvalidError": 400,
    "RowsRefusedError": 400,
    "ConflictError": 409,
    "ForbiddenError": 403,
    "UnknownError": 404,
    "NotTakenError": 415,
}


def main() -> None:
    guide = ROOT / "DEVELOPERS.md"
    text = guide.read_text()
    start = text.index(HEAD) + len(HEAD)
    guide.write_text(text[:start] + "".join(_rows(text[start:])))


def _rows(table: str) -> list[str]:
    kept: dict[str, tuple[str, str]] = {}
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if len(cells) == 4:
            kept[cells[0].strip("` ")] = cells[1], cells[2]
    found = _said()
    rows = []
    for code, files in refusal_codes().items():
        status, says = kept.get(code) or found.get(code, ("400", ""))
        where = files[0] if len(files) == 1 else f"{files[0]} and {len(files) - 1} more"
        rows.append(f"| `{code}` | {status} | {says} | {where} |\n")
    return rows


def _said() -> dict[str, tuple[str, str]]:
    """Each code's HTTP status and message, as far as one call of a refusal tells both."""
    said: dict[str, tuple[str, str]] = {}
    for path in sources(*APPS):
        for node in ast.walk(tree(path)):
            if not isinstance(node, ast.Call):
                continue
            code = next((word.value for word in node.keywords if word.arg == "code"), None)
            called = node.func.id if isinstance(node.func, ast.Name) else ""
            if isinstance(code, ast.Constant) and isinstance(code.value, str) and node.args:
                says = _words(node.args[0])
                said.setdefault(code.value, (str(STATUS.get(called, 400)), says))
    return said


def _words(message: ast.expr) -> str:
    """A message's text, with an ellipsis where it puts a value in."""
    parts = message.values if isinstance(message, ast.JoinedStr) else [message]
    text = "".join(
        part.value if isinstance(part, ast.Constant) and isinstance(part.value, str) else "…"
        for part in parts
    )
    return "" if text == "…" else re.sub(r"\s+", " ", text).replace("|", "/")


if __name__ == "__main__":
    main()
    for arguments in (["manage.py", "write_schema"], ["-m", "tests.client.generate"]):
        subprocess.run([sys.executable, *arguments], cwd=ROOT, check=True)
