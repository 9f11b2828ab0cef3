"""What the apps offer in the site's shell: each names its links in `<app>/pages/menu.py`."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from importlib import import_module

from django.apps import apps
from django.utils.module_loading import module_has_submodule


@dataclass(frozen=True)
class Link:
    """One place to go. `order` sorts across the apps; `roles` None means all of the staff.

    `group` gathers links under one heading. `about` names what kinds of thing the link is offered
    for (None: all), and the address then takes that thing's code.
    """

    label: str
    url_name: str
    order: int
    roles: frozenset[str] | None = None
    group: str = ""
    hint: str = ""
    about: frozenset[str] | None = None

    def is_for(self, role: str) -> bool:
        return self.roles is None or role in self.roles


@cache
def gather(name: str) -> tuple[Link, ...]:
    """The links that every app's menu lists under `name`, in order."""
    found: list[Link] = []
    for config in apps.get_app_configs():
        pages = f"{config.name}.pages"
        if not module_has_submodule(config.module, "pages"):
            continue
        if module_has_submodule(import_module(pages), "menu"):
            found += getattr(import_module(f"{pages}.menu"), name, ())
    return tuple(sorted(found, key=lambda link: link.order))


def links_for(name: str, role: str | None, about: Collection[str] = ()) -> list[Link]:
    """What `role` may follow (None: anyone), and what suits one of the kinds in `about`, if any."""
    return [
        link
        for link in gather(name)
        if (role is None or link.is_for(role))
        and (link.about is None or not about or link.about & set(about))
    ]
