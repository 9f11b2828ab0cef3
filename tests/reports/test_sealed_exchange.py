"""While a customer's own result is awaited, nothing they can reach tells what the works found.

Two worlds differ in that one result only; every address is read in both as that customer, in every
form and as of many moments, and what is read must be the same to the last byte.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from itertools import product
from types import SimpleNamespace
from typing import Any, Final

import pytest
from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, transaction
from django.test import Client
from openpyxl import load_workbook

from lots.models import DeliveryNote, Lot, Party
from reports.models import Settlement
from tests.access_table import TABLE, WHO
from tests.pdf_text import text_of
from tests.reports.sealed_world import SealedWorld
from tests.test_access import filled

OURS: Final = {"Ag": "924.1", "Cu": "72.3"}
# Other figures and another metal; and the very figures that were declared.
OTHERS: Final = ({"Ag": "917.3", "Cu": "70.4", "Au": "3.2"}, {"Ag": "925", "Cu": "75"})
# How many movements of each kind there are, and what the disk holds, is told to everybody; the
# schema and its page are made of the program alone.
NO_FIGURES: Final = ("metrics", "api/schema/", "api/docs/")
SPAN: Final = {"from_date": "2026-04-01", "to_date": "2026-05-31"}
# Before the works ruled, and after it.
MOMENTS: Final = ("2026-04-14T12:30:00Z", "2026-04-14T14:30:00Z")
TOKEN: Final = re.compile(r'name="csrfmiddlewaretoken" value="\w+"|"csrf_?token": ?"\w+"')

Seen = dict[str, tuple[int, str]]


def asked(route: str) -> Iterator[dict[str, str]]:
    """The ways in which an address can be asked."""
    yield {}
    if route == "api/v1/lots/<code>/answer/":
        yield from ({"occurred_as_of": moment} for moment in MOMENTS)
        yield from ({"as": "csv", "table": "metals"}, {"as": "xlsx"})
    if route == "api/v1/reports/accounts/<party>/":
        yield SPAN
        yield from (SPAN | {"as": "csv", "table": table} for table in ("metal", "money"))
        yield SPAN | {"as": "xlsx"}
    if route == "api/v1/settlements/<code>/statement/":
        yield from ({"as": form} for form in ("xlsx", "pdf"))
    if route == "api/v1/events/":
        yield from ({"lines": "true"}, {"kind": "assay_difference"}, {"limit": "3"})
    if route == "accounts/<code>/":
        yield from ({"month": month} for month in ("2026-04", "2026-05"))


def addresses(route: str, world: SealedWorld) -> Iterator[str]:
    """The route filled in with all that is on the books."""
    section = route.removeprefix("api/v1/").partition("/<")[0]
    if section == "shared":
        for token, form in product(world.links, ("page", "json", "pdf")):
            yield f"/{route}".replace("<token>", token).replace("<form>", form)
        return
    rows = {
        "lots": Lot.objects.filter(received_from=world.customer),
        "deliveries": DeliveryNote.objects,
        "settlements": Settlement.objects,
        "accounts": Party.objects,
        "reports/accounts": Party.objects,
    }.get(section)
    codes = rows.order_by("pk").values_list("code", flat=True) if rows else [""]
    for code in codes:
        yield filled(re.sub(r"<(code|party)>", code, "" if route == "(today)" else route))


def read_by(customer: Any, world: SealedWorld) -> Seen:
    """Every answer that the customer, or who has their links, gets.

    `tests/test_access.py` finds every other address closed to them.
    """
    browser, seen = Client(), {}
    browser.force_login(customer)
    for route, (read, _) in sorted(TABLE.items()):
        if "customer" not in WHO[read] or route in NO_FIGURES:
            continue
        for number, address in enumerate(addresses(route, world)):
            for given in asked(route):
                answer = browser.get(address, given)
                key = f"{route} {number} {given}" if "<token>" in route else f"{address} {given}"
                seen[key] = (answer.status_code, masked(words_of(answer), world))
    return seen


def words_of(answer: Any) -> str:
    body = b"".join(answer.streaming_content) if answer.streaming else answer.content
    if body.startswith(b"%PDF-"):
        return text_of(body)
    if body.startswith(b"PK"):
        sheets = load_workbook(io.BytesIO(body)).worksheets
        rows = [[cell.value for cell in row] for sheet in sheets for row in sheet.iter_rows()]
        return repr([sheet.title for sheet in sheets]) + "\n".join(map(repr, rows))
    return str(body, "utf-8") + answer.headers.get("Location", "")


def masked(text: str, world: SealedWorld) -> str:
    for number, token in enumerate(world.links):
        text = text.replace(token, f"token {number}")
    return TOKEN.sub("csrf", text)


@pytest.fixture
def read(works: SimpleNamespace) -> Callable[..., Seen]:
    """Builds a world with that result of ours, reads all of it, and takes it down again."""

    def build(ours: dict[str, str], *then: Callable[[SealedWorld], object]) -> Seen:
        # PostgreSQL does not take back the numbers it gave out to the world before.
        with connection.cursor() as cursor:
            for statement in connection.ops.sequence_reset_sql(no_style(), apps.get_models()):
                cursor.execute(statement)
        with transaction.atomic():
            world = SealedWorld(works, ours)
            for each in then:
                each(world)
            seen = read_by(works.isolde, world)
            transaction.set_rollback(True)
        return seen

    return build


def differing(one: Seen, two: Seen) -> list[str]:
    assert one.keys() == two.keys()
    return [key for key in one if one[key] != two[key]]


def test_what_a_customer_reads_is_the_same_whatever_the_works_found(
    read: Callable[..., Seen],
) -> None:
    ours = read(OURS)
    assert sum(status == 200 for status, _ in ours.values()) > 100
    for other in OTHERS:
        assert differing(ours, read(other)) == [], other


def test_once_the_customers_result_is_in_the_works_is_read(read: Callable[..., Seen]) -> None:
    seen = read(OURS, lambda world: world.tell(Ag="925.6"))
    told = [key for key, (_, text) in seen.items() if OURS["Ag"] in text]
    assert len(told) > 5
    assert not [key for key, (_, text) in seen.items() if "are not shown until" in text]
