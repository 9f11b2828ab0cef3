"""What a refusal test asserts: the code, the field, and that nothing at all was written."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from config.refusals import RefusalError
from lots.ledger.holdings import balances
from lots.models import LedgerHead, Lot
from tests.builders import row_counts


@contextmanager
def refused(code: str, field: str | None) -> Iterator[pytest.ExceptionInfo[RefusalError]]:
    """The block is refused with this code and field, and leaves every row and balance as it was."""
    before = _books()
    with pytest.raises(RefusalError) as caught:
        yield caught
    assert (caught.value.code, caught.value.field) == (code, field), caught.value
    assert caught.value.remedy
    assert _books() == before


def _books() -> tuple[object, ...]:
    return (
        row_counts(),
        list(balances().order_by("lot_id", "metal")),
        list(Lot.objects.order_by("pk").values()),
        list(LedgerHead.objects.values()),
    )
