"""What a refusal test asserts: the code, the field, and that nothing at all was written."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.apps import apps

from config.refusals import RefusalError


@contextmanager
def refused(code: str, field: str | None) -> Iterator[pytest.ExceptionInfo[RefusalError]]:
    """The block is refused with this code and field, and leaves every row as it was."""
    before = every_row()
    with pytest.raises(RefusalError) as caught:
        yield caught
    assert (caught.value.code, caught.value.field) == (code, field), caught.value
    assert caught.value.remedy
    assert every_row() == before


def check_refusal(answer: Any, status: int, code: str, field: str | None) -> None:
    """The API's answer is this refusal, with its words."""
    problem = answer.json()
    assert (answer.status_code, problem["code"], problem["field"]) == (status, code, field)
    assert problem["message"]


def every_row() -> dict[str, list[Any]]:
    """Every row of every table of the works, whole."""
    return {
        model._meta.label: list(model._default_manager.order_by("pk").values())
        for app in ("lots", "cells", "reports")
        for model in apps.get_app_config(app).get_models()
    }
