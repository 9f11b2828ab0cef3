"""Describes, for every address of the API at once, how whatever goes wrong is answered."""

from __future__ import annotations

from typing import Any, Final

_TEXT: Final = {"type": "string"}
_TEXT_OR_NULL: Final = {"type": "string", "nullable": True}
_FIELDS: Final = {
    "code": _TEXT,
    "field": _TEXT_OR_NULL,
    "value": _TEXT_OR_NULL,
    "message": _TEXT,
    "remedy": _TEXT,
}
_QUESTION: Final = {
    "type": "object",
    "properties": {
        "field": _TEXT,
        "value": _TEXT,
        "low": _TEXT_OR_NULL,
        "high": _TEXT_OR_NULL,
        "why": _TEXT,
        "suggestions": {
            "type": "array",
            "items": {
                "type": "object",
                "properties": {"text": _TEXT, "slip": _TEXT, "unit": _TEXT},
            },
        },
    },
}
_PROBLEM: Final = {
    "type": "object",
    "description": "How every refusal is answered: `code` is stable, `field` is what is at fault.",
    "properties": {
        **_FIELDS,
        "problems": {
            "type": "array",
            "description": "Every problem found, when several can be told at once.",
            "items": {"type": "object", "properties": _FIELDS, "required": list(_FIELDS)},
        },
        "questions": {
            "type": "array",
            "description": "With `unlikely`: the range of each figure, why, and what may be meant.",
            "items": _QUESTION,
        },
    },
    "required": list(_FIELDS),
}
_CONTENT: Final = {"application/json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
_RESPONSES: Final = {
    "Problem": {"description": "The request was turned down.", "content": _CONTENT},
    "Later": {
        "description": "The same request may be sent again after so many seconds.",
        "headers": {"Retry-After": {"schema": {"type": "integer"}, "required": True}},
        "content": _CONTENT,
    },
}
# What any request may meet, and what only one that brings something along may.
_ANY: Final = {
    "400": "Problem",
    "401": "Problem",
    "403": "Problem",
    "404": "Problem",
    "406": "Problem",
    "409": "Problem",
    "429": "Later",
    "503": "Later",
}
_WITH_BODY: Final = {"411": "Problem", "413": "Problem", "415": "Problem"}
_METHODS: Final = ("get", "post", "put", "patch", "delete")


def describe_problems(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Schema hook: every operation answers problems alike."""
    components = result["components"]
    components["schemas"] = dict(sorted({**components["schemas"], "Problem": _PROBLEM}.items()))
    components["responses"] = _RESPONSES
    for operations in result["paths"].values():
        for method in _METHODS:
            if method not in operations:
                continue
            operation = operations[method]
            named = _ANY | (_WITH_BODY if "requestBody" in operation else {})
            problems = {
                status: {"$ref": f"#/components/responses/{name}"} for status, name in named.items()
            }
            operation["responses"] = dict(sorted({**operation["responses"], **problems}.items()))
    return result
