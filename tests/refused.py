"""What a refusal test asserts: the code, the field, and that nothing at all was written."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

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


# No answer repeats what these are, nor, with these codes, what was left out.
NOT_REPEATED: Final = {None, "file", "sheet", "folder", "database", "signing_key", "passphrase"}
NOTHING_GIVEN: Final = frozenset(
    """
    bad_code bad_row basis_without_quantity cell_needed charge_number_out_of_range
    claim_needs_the_pool column_needed
    column_used_twice empty impurity_missing length_needed link_spent mass_or_volume missing
    moisture_missing
    no_figures no_room no_silver not_a_boolean not_a_column not_a_list not_a_month not_a_name
    not_a_number not_a_text not_an_object not_increasing not_text nothing_dissolves nothing_ticked
    nothing_found nothing_given nothing_measured nothing_proposed nothing_taken
    one_content_needed one_count_needed one_of_two one_quantity_needed one_thing party_needed
    recipe_needed
    password_not_chosen password_weak price_missing quantity_needed required result_missing
    same_ends same_password scope_needed settings_as_before silver_not_measured taken_twice
    too_many too_many_rows two_rules umpire_needed uncertainty_needed unit_needed
    unknown_element unknown_node unknown_stream version_needed wrong_code wrong_password
    """.split()  # noqa: SIM905 a list of so many would be a page
)
_init = RefusalError.__init__


def repeating(self: RefusalError, message: str, **given: Any) -> None:
    """A refusal, which must repeat what its field was given."""
    _init(self, message, **given)
    repeats = self.value is not None or self.field in NOT_REPEATED or self.code in NOTHING_GIVEN
    assert repeats, f"{self.code} does not repeat {self.field}"
