"""Today: what needs somebody, most urgent first, and the holdings by the inventory's figures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import reverse

from cells.services.readings import Instruments, record_reading
from cells.services.start_run import start_run
from lots import clock, display
from lots.models import Balance
from lots.services.documents import Filing, attach_document
from lots.services.opening import Amount, Opening, open_claim, open_lot
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.quarantine import quarantine_lot
from lots.services.taking import Take
from reports.queries.attention import attention
from reports.queries.inventory import inventory
from reports.queries.month.periods import local_day
from reports.queries.to_do import Urgency
from reports.services.settlement import prepare_settlement, withdraw_settlement
from tests.builders import receive, weighed_output
from tests.cells.conftest import Bench


@pytest.fixture
def busy(works: SimpleNamespace, act: Callable[..., Any]) -> SimpleNamespace:
    """A lot on declared content, one set aside, a batch with an excess, a late balance."""
    waiting = receive(works, act(), owner=works.brackwater)
    aside = receive(works, act())
    quarantine_lot(lot=aside, reason="smells of acid", act=act(1))
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(receive(works, act()))]),
        act=act(2),
    )
    over = record_output(batch=batch, output=weighed_output(works, 110), act=act(3))
    Balance.objects.filter(pk=works.balance.pk).update(calibration_due=dt.date(2026, 5, 1))
    return SimpleNamespace(waiting=waiting, aside=aside, batch=batch, over=over)


def test_every_matter_is_named_once_and_leads_to_its_page(
    busy: SimpleNamespace, browser: Client
) -> None:
    answer = browser.get(reverse("today"))
    page = answer.content.decode()
    for text in (
        "on declared content, no assay rules yet",
        "smells of acid",
        "Granulating is open",
        "above the book",
        "calibration was due 1 May 2026",
    ):
        assert text in page, text
    for _, address, _, _ in answer.context["matters"]:
        assert browser.get(address).status_code == 200, address


def test_most_urgent_comes_first(busy: SimpleNamespace) -> None:
    found = attention(clock.now())
    assert [each.urgency for each in found] == sorted(each.urgency for each in found)
    by_kind = {each.kind: each.urgency for each in found}
    assert by_kind["balance"] == Urgency.TODAY
    assert by_kind["assay"] == Urgency.SOON


def test_month_that_is_over_waits_to_be_closed(
    busy: SimpleNamespace, works: SimpleNamespace
) -> None:
    assert "month" not in {each.kind for each in attention(clock.now())}
    june = dt.datetime(2026, 6, 2, tzinfo=dt.UTC)
    with clock.at(june):
        month = next(each for each in attention(june) if each.kind == "month")
    assert (month.about, month.urgency) == ("2026-05", Urgency.TODAY)


def test_holdings_are_those_of_the_inventory(busy: SimpleNamespace, browser: Client) -> None:
    page = browser.get(reverse("today")).content.decode()
    for position in inventory().positions:
        assert display.grams(position.holdings_ug) in page
        assert display.grams(position.kept_apart_ug) in page
        assert display.grams(position.house_ug) in page


def test_today_takes_the_same_queries_for_more_lots(
    busy: SimpleNamespace,
    browser: Client,
    works: SimpleNamespace,
    act: Callable[..., Any],
    django_assert_max_num_queries: Any,
) -> None:
    with django_assert_max_num_queries(40) as before:
        browser.get(reverse("today"))
    for _ in range(6):
        receive(works, act(), owner=works.pellow)
    with django_assert_max_num_queries(len(before)):
        browser.get(reverse("today"))


def test_customer_is_led_to_their_lots(
    works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> None:
    assert browse_as(works.isolde).get(reverse("today")).url == reverse("my-lots")


def test_empty_works_is_told_where_to_begin(browser: Client) -> None:
    page = browser.get(reverse("today")).content.decode()
    assert "Nothing waits for anybody" in page
    assert "Nothing is on the books yet" in page


def test_help_explains_the_figures_and_lists_the_units(browser: Client) -> None:
    page = browser.get(reverse("help")).content.decode()
    assert "How is this figure computed?" in page
    assert "31.1034768" in page
    assert browser.get(reverse("balances")).status_code == 200


def test_more_owed_than_is_deliverable_is_said_today_and_on_the_page_of_cover(works, act, browser):
    crystal = open_lot(
        opening=Opening(
            form="fine_crystal",
            owner=works.house,
            place=works.places["fine-safe"],
            metals={"Ag": Amount(300_000_000)},
            mass_ug=300_000_000,
        ),
        act=act(0),
    )
    open_claim(owner=works.brackwater, metals={"Ag": 100_000_000}, act=act(1))
    for name in ("today", "cover"):
        page = browser.get(reverse(name)).content.decode()
        assert "covered" in page
        assert "owed above fine" not in page
    quarantine_lot(lot=crystal, reason="a torn bag", act=act(2))
    today = browser.get(reverse("today")).content.decode()
    cover = browser.get(reverse("cover")).content.decode()
    assert "Silver: 100.000 g more is owed to customers than is fine and can be delivered" in today
    for page in (today, cover):
        assert "owed above fine" in page
        assert "0.00" in page
    assert "Isolde Brackwater" in cover


def test_a_draft_and_a_lot_long_unsettled_wait_for_the_office(works, act, browser, disputed):
    draft = prepare_settlement(lot=disputed, kind="final", act=act(2, who=works.accountant))
    assert f"settlement of {disputed.code} for Isolde Brackwater" in kinds(browser)["settlement"]
    withdraw_settlement(settlement=draft, act=act(3, note="again", who=works.accountant))
    assert "unsettled" not in kinds(browser)
    with clock.at(act(0).moment + dt.timedelta(days=15)):
        assert "came in 15 days ago and is not settled" in kinds(browser)["unsettled"]


def kinds(browser):
    """What each kind of matter says."""
    context = browser.get(reverse("today")).context
    return {each.kind: each.text for each, *_ in [*context["matters"], *context["further"]]}


def test_today_looks_at_the_cells_again_when_it_is_a_while(
    works: SimpleNamespace, browser: Client
) -> None:
    bench = Bench(works)
    run = bench.charged(electrolyte=bench.electrolyte(silver="90", copper="52"))
    run = start_run(run=run, act=bench.act(2), first=Instruments(Decimal(12)))
    for hour in range(1, 13):
        reading = Instruments(Decimal(12) - Decimal(hour) / 10)
        record_reading(run=run, instruments=reading, act=bench.act(2 + hour))
    later = bench.act(14.5).moment
    with clock.at(later):
        page = browser.get("/")
        assert page.context["is_stale"]
        assert f'hx-post="{reverse("today-look-again")}"' in page.content.decode()
        assert "anode exhausted about" in page.content.decode()
        again = browser.post(reverse("today-look-again"), headers={"HX-Request": "true"})
        assert "<html" not in again.content.decode()
        assert not browser.get("/").context["is_stale"]
    run.refresh_from_db()
    assert run.warnings_at == later


def test_holdings_are_shown_with_their_plus_minus(busy: SimpleNamespace, browser: Client) -> None:
    page = browser.get(reverse("holdings-sureness"))
    metal, figure = page.context["figures"][0]
    assert metal == "Ag"
    assert figure.mass_ug == inventory().positions[0].holdings_ug
    assert figure.half_width_ug > 0
    part = browser.get(reverse("holdings-sureness"), headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()


def test_papers_whose_time_of_keeping_ends_are_announced_to_the_office(
    works, act, browse_as, settings, tmp_path
):
    settings.MEDIA_ROOT = tmp_path
    today = local_day(clock.now())
    for number, days in enumerate((0, 1, 31, 32)):
        attach_document(
            file=ContentFile(b"%PDF-1.7 " + bytes([48 + number]), f"paper-{number}.pdf"),
            party=works.pellow,
            filing=Filing("contract", today + dt.timedelta(days=days)),
            act=act(0, who=works.accountant),
        )
    tomorrow = clock.now() + dt.timedelta(days=1)
    said = f"2 papers&#x27; time of keeping ends within 30 days, the first on {local_day(tomorrow)}"
    office = browse_as(works.accountant)
    with clock.at(tomorrow):
        page = office.get(reverse("today"))
        others = browse_as(works.operator).get(reverse("today")).content.decode()
    assert said in page.content.decode()
    assert said not in others
    (address,) = [address for each, address, _, _ in page.context["matters"] if "papers" in address]
    with clock.at(tomorrow):
        listed = office.get(address).content.decode()
    assert [f"paper-{number}.pdf" in listed for number in range(4)] == [False, True, True, False]


def test_the_cells_stand_first_with_what_comes_next(
    works: SimpleNamespace, browser: Client
) -> None:
    bench = Bench(works)
    assert reverse("charge", args=[bench.cell.code]) in browser.get("/").content.decode()
    run = bench.charged()
    page = browser.get("/").content.decode()
    assert page.index('class="strip"') < page.index("What needs somebody")
    assert reverse("run-start", args=[run.code]) in page
    start_run(run=run, act=bench.act(2), first=Instruments(Decimal(12)))
    page = browser.get("/").content.decode()
    assert reverse("run-read", args=[run.code]) in page
    assert "12.0 A" in page
    strip = browser.get(reverse("cells-now"), headers={"HX-Request": "true"}).content.decode()
    assert "crystal" in strip
    assert "<html" not in strip
