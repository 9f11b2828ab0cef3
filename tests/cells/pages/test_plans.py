"""Plans asked for in a form, what was there on the first day, and a reading taken back."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace

import pytest
from django.test import Client
from django.urls import reverse

from cells.models import Cell, ElectrolyteBatch, RunReading, SlimesBag
from cells.queries.current_series import readings_of


@pytest.fixture
def office(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    return browse_as(works.manager)


def test_planned_charge_fills_in_the_charge_form(bench, browser: Client) -> None:
    Cell.objects.update(basket_ug_max=1_800_000_000)
    lots = [bench.granules(grams="1500"), bench.granules(grams="900")]
    batch = bench.electrolyte(copper="10")
    shown = browser.get(reverse("feed-plan", args=["north"]), {"electrolyte": batch.pk})
    plan = shown.context["plan"]
    assert plan.state == "planned"
    assert {each.lot for each in plan.takes} == {lot.code for lot in lots}
    form = browser.get(f"{reverse('charge', args=['north'])}?{shown.context['charge_query']}")
    assert len(form.context["form"]["takes"].value()) == len(plan.takes)
    assert all(each.lot in form.content.decode() for each in plan.takes)


def test_plan_that_can_not_be_made_says_why(bench, browser: Client) -> None:
    batch = bench.electrolyte()
    refused = browser.get(reverse("feed-plan", args=["north"]), {"electrolyte": batch.pk})
    assert refused.status_code == 409
    assert "What the basket of cell North takes is not known" in refused.content.decode()


def test_make_up_is_shown_in_each_way_with_its_cautions(bench, browser: Client) -> None:
    batch = bench.electrolyte(litres="8")
    wanted = {
        "volume": "12 l",
        "silver_g_per_l": "60",
        "acid_mol_per_l": "0.1",
        "acid_percent": "65",
        "concentrated_share": "0.5",
    }
    address = reverse("make-up-plan", args=[batch.lot.code])
    page = browser.get(address, wanted).content.decode()
    assert "With silver nitrate instead" in page
    assert "240.0" in page
    assert "acid into water" in page
    refused = browser.get(address, wanted | {"volume": "4 l"})
    assert refused.context["form"].errors
    assert "Not planned" in refused.content.decode()


def test_bleed_that_holds_copper_needs_what_a_charge_brings(bench, browser: Client) -> None:
    batch = bench.electrolyte()
    address = reverse("bleed-plan", args=[batch.lot.code])
    assert browser.get(address).status_code == 200
    refused = browser.get(address, {"hold_copper_g_per_l": "40"})
    assert refused.context["form"].has_error("copper_per_use", "required")
    told = browser.get(address, {"hold_copper_g_per_l": "40", "copper_per_use": "100 g"})
    assert told.context["found"].bleed.volume_l == pytest.approx(2.5)
    assert "2.500 l" in told.content.decode()


def test_electrolyte_and_bag_of_the_first_day_come_on_the_books(bench, office: Client) -> None:
    electrolyte = {
        "key": "a",
        "place": bench.works.places["carboys"].pk,
        "use_number": "4",
        "volume": "11.5 l",
        "standard_uncertainty": "20 ml",
        "results-Ag": "60",
        "results-Ag-u": "0.3",
        "method": "icp_oes",
        "laboratory": bench.works.laboratory.pk,
    }
    office.post(reverse("open-electrolyte"), electrolyte)
    assert ElectrolyteBatch.objects.get().use_number == 4
    bag = {
        "key": "b",
        "place": bench.works.places["slimes-cabinet"].pk,
        "mass": "400 g",
        "metals-Au": "3 g",
        "metals-Au-u": "0.2 g",
        "bagged_at": "2026-04-01",
    }
    office.post(reverse("open-bag"), bag)
    assert SlimesBag.objects.get().bagged_at.isoformat() == "2026-04-01T00:00:00+00:00"
    later = office.post(reverse("open-bag"), bag | {"key": "c", "bagged_at": "2026-05-05"})
    assert later.context["form"].has_error("bagged_at", "bagged_later")


def test_reading_is_withdrawn_and_stays_on_show(bench, browser: Client) -> None:
    run = bench.stopped()
    wrong = RunReading.objects.order_by("taken_at")[1]
    sent = {"key": "a", "reason": "the lead had come loose"}
    answer = browser.post(reverse("reading-withdraw", args=[wrong.pk]), sent)
    assert answer.url == reverse("run", args=[run.code])
    assert "the lead had come loose" in browser.get(answer.url).content.decode()
    assert wrong not in readings_of(run)


def test_cell_is_edited_with_its_limits(bench, office: Client) -> None:
    address = reverse("cell-edit", args=["north"])
    shown = office.get(address).context["form"]
    sent = {name: shown[name].value() for name in shown.fields} | {"key": "a"}
    sent = {name: value for name, value in sent.items() if value is not None}
    answer = office.post(address, sent | {"copper_limit_g_per_l": "55"})
    assert answer.status_code == 302, answer.context["form"].errors
    cell = Cell.objects.get()
    assert (cell.copper_limit_g_per_l, cell.version) == (Decimal(55), 2)
    assert cell.bath_volume_ul == bench.cell.bath_volume_ul
    fused = office.post(address, sent | {"key": "b", "version": "2", "lead_rating_a": "20"})
    assert fused.context["form"].has_error("fuse_rating_a", "fuse_above_leads")
