"""The whole API against its own description: no answer of 5xx, and none that is not described.

Seeded and bounded; `FUZZ_EXAMPLES` asks for more (`pytest -m fuzz`). Each request is sent to the
demo's books as they stood before, half of them with codes of things that are there.
"""

from __future__ import annotations

import datetime as dt
import os
import traceback
from collections.abc import Iterator
from itertools import islice
from typing import Any

import pytest
import requests
import schemathesis
from django.contrib.auth import get_user_model
from django.db import transaction
from django.test import Client
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode, Response, checks

from cells.models import Cell, CellRun, ElectrolyteBatch, SlimesBag
from config.api_description import described
from lots import clock
from lots.models import Balance, Lot, Party, Place, ProcessBatch
from reports.models import CountSheet, Settlement

pytestmark = [pytest.mark.fuzz, pytest.mark.django_db]

EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "8"))
SEED = int(os.environ.get("FUZZ_SEED", "20261125"))
PARTS = 8
CHECKS = [
    checks.not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
]
SCHEMA = schemathesis.openapi.from_dict(described())
OPERATIONS = sorted(
    (found.ok() for found in SCHEMA.get_all_operations()),
    key=lambda operation: (operation.path, operation.method),
)
# By the first part of an address, what its `code` names; by its name, what a field names.
_BY_PLACE = {
    "lots": Lot,
    "process-batches": ProcessBatch,
    "recoveries": ProcessBatch,
    "electrolytes": ElectrolyteBatch,
    "cells": Cell,
    "runs": CellRun,
    "slimes-bags": SlimesBag,
    "parties": Party,
    "places": Place,
    "balances": Balance,
    "count-sheets": CountSheet,
    "settlements": Settlement,
}
_BY_FIELD = {
    "lot": Lot,
    "lots": Lot,
    "bags": SlimesBag,
    "party": Party,
    "owner": Party,
    "customer": Party,
    "counterparty": Party,
    "laboratory": Party,
    "place": Place,
    "to": Place,
    "balance": Balance,
    "cell": Cell,
    "electrolyte": ElectrolyteBatch,
    "settlement": Settlement,
}


@pytest.fixture(scope="module")
def books(demo: Any) -> dict[type, list[str]]:
    """The codes of a few things of each kind on the demo's books."""
    kinds = {*_BY_PLACE.values(), *_BY_FIELD.values()}
    return {
        kind: list(islice(kind.objects.order_by("-pk").values_list(_code_of(kind), flat=True), 12))
        for kind in kinds
    }


def _code_of(kind: type) -> str:
    return "lot__code" if kind in {ElectrolyteBatch, SlimesBag} else "code"


@pytest.fixture
def manager(books: Any) -> Iterator[Client]:
    """The manager's browser, when the demo's story has been told."""
    client = Client()
    client.force_login(get_user_model().objects.get(person__role="manager"))
    with clock.at(dt.datetime(2026, 6, 25, 12, tzinfo=dt.UTC)):
        yield client


@pytest.mark.parametrize("part", range(PARTS))
def test_no_answer_is_a_failure_or_undescribed(
    manager: Client, books: dict[type, list[str]], part: int
) -> None:
    failed = []
    for operation in OPERATIONS[part::PARTS]:
        try:
            _try(operation, manager, books)
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            failed.append(f"{operation.label}: {_told(error)}")
    assert not failed, "\n\n".join(failed)


def _try(operation: Any, manager: Client, books: dict[type, list[str]]) -> None:
    @seed(SEED)
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=_cases(operation), data=st.data())
    def every_answer_is_described(case: Any, data: st.DataObject) -> None:
        if data.draw(st.booleans()):
            _name_what_is_there(case, books, data)
        with transaction.atomic():
            answer = _send(manager, case)
            transaction.set_rollback(True)
        case.validate_response(answer, checks=CHECKS)

    every_answer_is_described()


def _cases(operation: Any) -> st.SearchStrategy[Any]:
    """Requests that the description allows and, where it asks for anything, some it does not."""
    allowed = operation.as_strategy(generation_mode=GenerationMode.POSITIVE)
    if not (operation.path_parameters or operation.query or operation.body):
        return allowed
    return allowed | operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)


def _name_what_is_there(case: Any, books: dict[type, list[str]], data: st.DataObject) -> None:
    place = case.operation.path.split("/")[3]
    for name in case.path_parameters or {}:
        if name in {"code", "party"}:
            known = books.get(_BY_PLACE.get(place, Party))
            if known:
                case.path_parameters[name] = data.draw(st.sampled_from(known))
        elif name in {"pk", "id", "sequence"}:
            case.path_parameters[name] = data.draw(st.integers(1, 60))
        elif name == "month":
            case.path_parameters[name] = data.draw(st.sampled_from(["2026-05", "2026-06"]))
    for holder in (case.body, case.query):
        _fill(holder, books, data)


def _fill(node: Any, books: dict[type, list[str]], data: st.DataObject) -> None:
    if isinstance(node, list):
        for each in node:
            _fill(each, books, data)
    if not isinstance(node, dict):
        return
    for name, value in node.items():
        known = books.get(_BY_FIELD[name], []) if name in _BY_FIELD else []
        if known and isinstance(value, str):
            node[name] = data.draw(st.sampled_from(known))
        elif known and isinstance(value, list):
            node[name] = data.draw(st.lists(st.sampled_from(known), max_size=3))
        else:
            _fill(value, books, data)


def _send(client: Client, case: Any) -> Response:
    """The request through the whole of the site's own stack, without a network."""
    asked = case.as_transport_kwargs(base_url="http://testserver")
    wanted = {key: asked[key] for key in _REQUEST & set(asked)}
    prepared = requests.Request(**wanted).prepare()
    # The manager is signed in; made-up credentials would only ever be turned away.
    made_up = {"authorization", "cookie"}
    headers = {name: each for name, each in prepared.headers.items() if name.lower() not in made_up}
    body = prepared.body or b""
    got = client.generic(
        prepared.method,
        prepared.path_url,
        body.encode() if isinstance(body, str) else body,
        content_type=headers.pop("Content-Type", ""),
        headers=headers,
    )
    return Response(
        got.status_code,
        {name.lower(): [value] for name, value in got.headers.items()},
        b"".join(got.streaming_content) if got.streaming else got.content,
        request=prepared,
        elapsed=0.0,
        verify=False,
    )


_REQUEST = {"method", "url", "headers", "params", "data", "json", "files", "cookies"}


def _told(error: BaseException) -> str:
    where = "" if isinstance(error, BaseExceptionGroup) else _deepest(error)
    return f"{type(error).__name__}: {error} {where}"[:3000]


def _deepest(error: BaseException) -> str:
    """Where in our own code an error came up."""
    ours = [f for f in traceback.extract_tb(error.__traceback__) if ".venv" not in f.filename]
    return f"at {ours[-1].filename}:{ours[-1].lineno}" if ours else ""
