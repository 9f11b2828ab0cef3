"""Events: the ledger's own order, no gap, and to a customer their own lots only."""

from __future__ import annotations

import json

import pytest

from lots.ledger.reversal import reverse_movement
from lots.models import Entry, Movement
from lots.services.blending import Blend, blend_lots
from lots.services.taking import Take
from tests.builders import receive

EVENTS = "/api/v1/events/"


@pytest.fixture
def history(works, act):
    """Two customers' lots, each received, and a blend of both into the works' pool, undone."""
    hers = receive(works, act(0), owner=works.brackwater)
    theirs = receive(works, act(0.1), owner=works.pellow)
    blend = Blend(form="granules", place=works.places["melt-bench"])
    blend_lots(takes=[Take(hers), Take(theirs)], blend=blend, act=act(1))
    reverse_movement(movement=Movement.objects.get(sequence=3), reason="mis-keyed", act=act(2))
    return hers, theirs


def test_every_movement_is_an_event_in_the_order_of_the_ledger(api, history):
    hers, theirs = history
    page = api.get(EVENTS).json()
    assert [event["id"] for event in page["events"]] == [1, 2, 3, 4]
    assert [event["kind"] for event in page["events"]] == [
        "receipt",
        "receipt",
        "blend",
        "reversal",
    ]
    assert (page["next_after"], page["more"]) == (4, False)
    assert {hers.code, theirs.code} < set(page["events"][2]["lots"])
    assert page["events"][3]["reverses"] == 3
    assert "925" not in json.dumps(page)


def test_a_reader_comes_through_by_pages_and_by_lines_alike(api, history):
    seen, after, more = [], 0, True
    while more:
        page = api.get(EVENTS, {"after": after, "limit": 1}).json()
        seen += page["events"]
        after, more = page["next_after"], page["more"]
    lines = b"".join(api.get(EVENTS, {"lines": "true"}).streaming_content).splitlines()
    assert [json.loads(line) for line in lines] == seen
    assert [event["id"] for event in seen] == [1, 2, 3, 4]
    assert api.get(EVENTS, {"after": 4}).json() == {"events": [], "next_after": 4, "more": False}


def test_a_filter_passes_over_what_it_leaves_out(api, history):
    page = api.get(EVENTS, {"kind": ["blend", "charge"]}).json()
    assert [event["id"] for event in page["events"]] == [3]
    assert page["next_after"] == 4
    refused = api.get(EVENTS, {"kind": "nonsense"})
    assert (refused.status_code, refused.json()["field"]) == (400, "kind")


def test_a_customer_hears_of_their_own_lots_alone(api_as, works, history):
    hers, theirs = history
    told = api_as(works.isolde).get(EVENTS)
    assert [event["id"] for event in told.json()["events"]] == [1, 3, 4]
    assert hers.code in told.content.decode()
    assert theirs.code not in told.content.decode()
    pool = Entry.objects.filter(movement__sequence=3, mass_ug__gt=0, lot__isnull=False)
    assert pool.first().lot.code not in told.content.decode()
    lines = b"".join(api_as(works.isolde).get(EVENTS, {"lines": "1"}).streaming_content).decode()
    assert theirs.code not in lines


def test_a_page_costs_the_same_however_long_it_is(
    api, history, works, act, django_assert_num_queries
):
    for number in range(8):
        receive(works, act(3 + number / 10))
    with django_assert_num_queries(8):
        api.get(EVENTS, {"limit": 2})
    with django_assert_num_queries(8):
        api.get(EVENTS, {"limit": 12})
