"""Writes the example client from the kept description: `python -m tests.client.generate`.

An example of what the description is good for, not a library: any general generator can make a
whole client of it. What every call does alike stands in `calling.py`, which is written by hand.
"""

from __future__ import annotations

import json
import keyword
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
DESCRIPTION = ROOT / "fixtures" / "openapi-v1.json"
WRITTEN = Path(__file__).with_name("ledger_client.py")
OPERATIONS = (
    "token_create",
    "receipts_create",
    "lots_retrieve",
    "lots_list",
    "lots_assays_create",
    "assays_rule_create",
    "movements_retrieve",
    "events_retrieve",
    "prices_list",
)
HEAD = '''"""A client of the ledger's API, written by `python -m tests.client.generate`."""

from __future__ import annotations

from typing import Any

from tests.client.calling import LEFT_OUT, Caller


class LedgerClient(Caller):
    """Each method is an operation of the API; it answers its JSON or raises `Refused`."""
'''
TYPES = {"string": "str", "integer": "int", "number": "float", "boolean": "bool"}


def main() -> None:
    WRITTEN.write_text(generated(json.loads(DESCRIPTION.read_text())))


def generated(description: dict[str, Any]) -> str:
    """The client's source, formatted."""
    found = {
        operation["operationId"]: (method, path, operation)
        for path, operations in description["paths"].items()
        for method, operation in operations.items()
    }
    methods = "".join(_method(name, *found[name], description) for name in OPERATIONS)
    format_it = [sys.executable, "-m", "ruff", "format", "-q", "--stdin-filename", "client.py", "-"]
    made = subprocess.run(
        format_it, input=HEAD + methods, capture_output=True, text=True, check=True, cwd=ROOT
    )
    return made.stdout


def _method(
    name: str, method: str, path: str, operation: dict[str, Any], description: dict[str, Any]
) -> str:
    given = operation.get("parameters", [])
    in_path = [each["name"] for each in given if each["in"] == "path"]
    in_query = {each["name"]: each for each in given if each["in"] == "query"}
    body = _body(operation, description)
    known = [name for name, each in body.get("properties", {}).items() if not each.get("readOnly")]
    required = [each for each in known if each in body.get("required", ())]
    others = [each for each in known if each not in required]
    arguments = [f"{_named(each)}: {_hint(_schema_of(given, each))}" for each in in_path]
    keywords = [f"{_named(each)}: {_hint(body['properties'][each])}" for each in required]
    keywords += [f"{_named(each)}: Any = LEFT_OUT" for each in [*others, *in_query]]
    signature = ", ".join(["self", *arguments, *(["*", *keywords] if keywords else [])])
    address = re.sub(r"\{(\w+)\}", r"{self.quoted(\1)}", path)
    call = [repr(method.upper()), f"f{address!r}" if in_path else repr(address)]
    call += [f"query={_mapping(in_query)}"] if in_query else []
    call += [f"body={_mapping([*required, *others])}"] if body else []
    summary = (operation.get("summary") or operation.get("description") or name).splitlines()[0]
    said = summary.replace("\\", "").rstrip(".")
    return (
        f'\n    def {name}({signature}) -> Any:\n        """{said}."""\n'
        f"        return self.call({', '.join(call)})\n"
    )


def _mapping(names: Any) -> str:
    return "{" + ", ".join(f"{each!r}: {_named(each)}" for each in names) + "}"


def _body(operation: dict[str, Any], description: dict[str, Any]) -> dict[str, Any]:
    content = operation.get("requestBody", {}).get("content", {})
    schema: dict[str, Any] = content.get("application/json", {}).get("schema", {})
    name = schema.get("$ref", "").rpartition("/")[2]
    return description["components"]["schemas"][name] if name else schema


def _schema_of(parameters: list[dict[str, Any]], name: str) -> dict[str, Any]:
    return next(each["schema"] for each in parameters if each["name"] == name)


def _named(name: str) -> str:
    plain = re.sub(r"\W", "_", name)
    return f"{plain}_" if keyword.iskeyword(plain) else plain


def _hint(schema: dict[str, Any]) -> str:
    return TYPES.get(schema.get("type", ""), "Any")


if __name__ == "__main__":
    main()
