"""An unlikely figure of a sheet is asked about in its own row, and recorded when said again."""

from __future__ import annotations

import pytest

from config.refusals import ConflictError
from lots.models import ConfirmedFigure, Lot
from lots.sheets import drafts
from tests.imported import lines, sent

RECEIVED = ["Brought by", "Form", "Place", "When", "Gross, g", "Balance", "Silver, ‰"]
TRAY = ["brackwater", "granules", "feed-shelf", "2026-05-04 09:30", "1000.5", "bench", "925"]
# A fraction where parts per thousand are asked for.
FRACTION = [*TRAY[:-1], "0.925"]


@pytest.fixture
def by_manager(works, act):
    return act(9, who=works.manager)


def test_a_row_is_confirmed_by_itself_and_the_sheet_is_recorded_then(works, by_manager, browse_as):
    draft = sent("receipts", lines(RECEIVED, TRAY, FRACTION, TRAY), by_manager)
    (problem,) = draft.findings["problems"]
    assert (problem["row"], problem["column"], problem["code"]) == (3, "Ag", "unlikely")
    with pytest.raises(ConflictError) as caught:
        drafts.record_draft(draft=draft, act=by_manager)
    assert caught.value.code == "not_checked_yet"
    client = browse_as(works.manager)
    page = client.get(f"/imports/draft/{draft.pk}/").content.decode()
    assert "It is right as written" in page
    address = f"/imports/draft/{draft.pk}/confirm/"
    assert client.post(address, {"row": "x", "column": "Ag"}).status_code == 404
    client.post(address, {"row": "2", "column": "Ag"})
    draft.refresh_from_db()
    assert len(draft.findings["problems"]) == 1
    client.post(address, {"row": "3", "column": "Ag"})
    draft.refresh_from_db()
    assert draft.findings["problems"] == []
    assert drafts.record_draft(draft=draft, act=by_manager).row_count == 3
    assert ConfirmedFigure.objects.get().field == "declared.Ag"


def test_the_api_asks_by_row_and_takes_the_rows_confirmed(works, api_as):
    office = api_as(works.manager)
    rows = [
        dict(zip(("party", "form", "place", "when", "gross", "balance", "Ag"), row, strict=True))
        for row in (TRAY, FRACTION)
    ]
    sent_in = {"subject": "receipts", "rows": rows}
    answer = office.post("/api/v1/imports/", sent_in)
    (problem,) = answer.json()["problems"]
    assert (problem["field"], problem["code"]) == ("rows.2.Ag", "unlikely")
    assert problem["questions"][0]["field"] == "rows.2.Ag"
    assert not Lot.objects.exists()
    assert office.post("/api/v1/imports/", {**sent_in, "confirm": ["rows.1"]}).status_code == 400
    made = office.post("/api/v1/imports/", {**sent_in, "confirm": ["rows.2"]})
    assert made.status_code == 201
    assert ConfirmedFigure.objects.count() == 1
