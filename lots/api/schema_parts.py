"""Gives the parts that return all over the API's description a name of their own."""

from __future__ import annotations

from typing import Any, Final

from lots.api.fields import MASS
from lots.api.records import VOLUME

_PARTS: Final = {"Mass": MASS, "Volume": VOLUME}
_REFERENCES: Final = {name: {"$ref": f"#/components/schemas/{name}"} for name in _PARTS}


def name_parts(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Schema hook: each mass and volume refers to one component."""
    replaced: dict[str, Any] = _replaced(result)
    schemas = replaced["components"]["schemas"]
    replaced["components"]["schemas"] = dict(sorted({**schemas, **_PARTS}.items()))
    return replaced


def _replaced(node: Any) -> Any:
    if isinstance(node, list):
        return [_replaced(each) for each in node]
    if not isinstance(node, dict):
        return node
    for name, part in _PARTS.items():
        if all(node.get(key) == value for key, value in part.items()):
            rest = {key: value for key, value in node.items() if key not in part}
            return {"allOf": [_REFERENCES[name]], **rest} if rest else _REFERENCES[name]
    return {key: _replaced(value) for key, value in node.items()}
