"""How each figure of the pages is computed: every app explains its own in `pages/explained.py`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import import_module

from django.apps import apps
from django.utils.module_loading import module_has_submodule


@dataclass(frozen=True)
class Explained:
    """A figure by its key, and how it comes about. `source` is where the rule is from."""

    key: str
    name: str
    text: str
    source: str = ""


@cache
def explained() -> dict[str, Explained]:
    """Every figure explained, by its key, in the order of the apps."""
    found: dict[str, Explained] = {}
    for config in apps.get_app_configs():
        pages = f"{config.name}.pages"
        if not module_has_submodule(config.module, "pages"):
            continue
        if module_has_submodule(import_module(pages), "explained"):
            for each in import_module(f"{pages}.explained").FIGURES:
                assert each.key not in found, each.key
                found[each.key] = each
    return found
