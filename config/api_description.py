"""The API's description as it is kept in the repository, for those who build on the API."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from django.conf import settings
from django.http import HttpResponse
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.views import SpectacularSwaggerSplitView
from rest_framework.request import Request

KEPT_IN: Final = Path(settings.BASE_DIR) / "fixtures" / "openapi-v1.json"


class DescriptionPage(SpectacularSwaggerSplitView):
    """The framework's page, which knows no template for an answer to OPTIONS."""

    def options(  # type: ignore[override]
        self, request: Request, *args: Any, **kwargs: Any
    ) -> HttpResponse:
        return HttpResponse()  # the framework adds `Allow`


def described() -> dict[str, Any]:
    """The description as this code gives it, in OpenAPI's terms."""
    schema = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    plain: dict[str, Any] = json.loads(json.dumps(schema))
    return plain


def as_text(schema: dict[str, Any]) -> str:
    """The description with one line for each operation and each component, so that a change shows.

    OpenAPI is a form of JSON; the order of keys is the same at each writing.
    """

    def one_line(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))

    def lines(values: dict[str, Any], indent: str) -> str:
        return ",\n".join(f"{indent}{json.dumps(key)}: {one_line(values[key])}" for key in values)

    paths = ",\n".join(
        f"  {json.dumps(path)}: {{\n{lines(operations, '    ')}\n  }}"
        for path, operations in sorted(schema["paths"].items())
    )
    components = ",\n".join(
        f"  {json.dumps(shelf)}: {{\n{lines(dict(sorted(named.items())), '    ')}\n  }}"
        for shelf, named in sorted(schema["components"].items())
    )
    head = {key: value for key, value in schema.items() if key not in {"paths", "components"}}
    parts = [lines(head, ""), f'"paths": {{\n{paths}\n}}', f'"components": {{\n{components}\n}}']
    return "{\n" + ",\n".join(parts) + "\n}\n"
