"""A pytest plugin under which a test does the same each time and keeps nothing for the next."""

from __future__ import annotations

import functools
import gc
import os
from contextlib import suppress
from importlib import import_module
from typing import Any
from unittest.mock import patch

from hypothesis import Phase, settings

from tests.studies.mutants.seen import product


def pytest_configure() -> None:
    """A failure is all that counts: no example is kept, looked up or made smaller."""
    phases = (Phase.explicit, Phase.generate)
    settings.register_profile("mutants", database=None, derandomize=True, phases=phases)
    settings.load_profile("mutants")


def import_all() -> None:
    """Imports the whole product, so that no test is the one that happens to."""
    with patch.dict(os.environ):  # into which the server's settings write
        for name in _modules():
            with suppress(Exception):  # a module that wants another server or library than there is
                import_module(name)


def empty_caches() -> None:
    """Empties the caches of the product's functions, which would hide what runs only once."""
    for cached in _caches():
        cached.cache_clear()


@functools.cache
def _caches() -> list[Any]:
    wrappers = [o for o in gc.get_objects() if type(o) is functools._lru_cache_wrapper]
    return [each for each in wrappers if getattr(each, "__module__", "") in _modules()]


def _modules() -> set[str]:
    return {".".join(path.with_suffix("").parts) for path in product()}
