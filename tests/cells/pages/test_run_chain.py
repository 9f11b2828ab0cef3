"""A run by its forms alone, from the charge to the closing, and the slimes to their recovery."""

from __future__ import annotations

from collections.abc import Callable
from math import log10
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from cells.models import CellRun, Harvest, SlimesBag
from cells.queries.run_summary import run_summary
from lots import display
from lots.models import Lot, ProcessBatch
from tests.builders import row_counts
from tests.sending import send

DAY = "2026-04-1"


@pytest.fixture
def client_of(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    return browse_as(works.operator)


def test_run_is_charged_run_harvested_and_closed_by_forms(
    client_of: Client, bench: Any, works: SimpleNamespace
) -> None:
    granules, electrolyte = bench.granules(), bench.electrolyte()
    north = works.places["north-cell"].pk
    send(
        client_of, "charge", ["north"],
        electrolyte=electrolyte.pk, occurred_at=f"{DAY}4T11:00",
        **{"takes-lot": [granules.code.lower()], "takes-portion": ["1500 g"]},
    )  # fmt: skip
    run = CellRun.objects.get()
    send(client_of, "run-start", [run.code], current_a="40", occurred_at=f"{DAY}4T12:00")
    page = send(
        client_of, "run-read", [run.code],
        current_a="39.5", voltage_v="2.1", silver_g_per_l="58", copper_g_per_l="22",
        occurred_at=f"{DAY}4T17:00",
    )  # fmt: skip
    assert "Electrolyte of run" in page.content.decode()
    send(client_of, "run-stop", [run.code], current_a="39", occurred_at=f"{DAY}4T22:00")
    weighed = {"balance": works.balance.pk, "place": north}
    send(client_of, "run-bag", [run.code], place=north, occurred_at=f"{DAY}5T08:00")
    harvested = send(
        client_of, "run-harvest", [run.code],
        gross="1580 g", rinse_count="6", chloride_clear="on", dry="on",
        occurred_at=f"{DAY}5T09:00", **{"declared-Ag": "999", **weighed},
    )  # fmt: skip
    harvest = Harvest.objects.get()
    assert harvest.lot.code in harvested.content.decode()
    closed = send(client_of, "run-close", [run.code], occurred_at=f"{DAY}5T10:00")
    run.refresh_from_db()
    assert run.state == CellRun.State.CLOSED
    summary = run_summary(run)
    assert summary.crystal is not None
    page = closed.content.decode()
    assert display.grams(summary.crystal.silver_weighed_ug) in page
    assert display.grams(summary.crystal.silver_expected_ug) in page
    assert display.grams(summary.charged["Ag"]) in client_of.get(reverse("cells")).content.decode()


def test_bags_wait_in_the_queue_and_go_to_a_recovery(
    client_of: Client, bench: Any, works: SimpleNamespace
) -> None:
    run = bench.stopped()
    send(client_of, "run-bag", [run.code], place=works.places["slimes-cabinet"].pk)
    bag = SlimesBag.objects.select_related("lot").get()
    queue = client_of.get(reverse("slimes")).content.decode()
    assert bag.lot.code in queue
    assert "safety data sheet" in queue
    send(client_of, "slimes-group", [], bags=[bag.pk], place=works.places["wet-bench"].pk)
    batch = ProcessBatch.objects.get()
    answer = client_of.post(reverse("slimes-finish", args=[batch.code]), {"key": "finish"})
    assert answer.status_code == 400
    assert "nothing_recovered" in answer.context["form"].errors.as_json()
    batch.refresh_from_db()
    assert batch.state == "open"


def test_copper_above_the_limit_is_refused_until_it_is_acknowledged(
    client_of: Client, bench: Any
) -> None:
    electrolyte, granules = bench.electrolyte(copper="61"), bench.granules()
    sent = {
        "key": "rich-in-copper",
        "electrolyte": electrolyte.pk,
        "takes-lot": [granules.code],
        "takes-portion": [""],
    }
    counts = row_counts()
    answer = client_of.post(reverse("charge", args=["north"]), sent)
    assert answer.status_code == 409
    assert "copper_above_limit" in answer.context["form"].errors.as_json()
    assert row_counts() == counts
    accepted = client_of.post(
        reverse("charge", args=["north"]),
        sent | {"acknowledge_copper": "on", "copper_reason": "one short run, then bled"},
    )
    assert accepted.status_code == 302
    assert CellRun.objects.get().copper_acknowledgement == "one short run, then bled"


@pytest.mark.parametrize(
    ("changed", "field", "code"),
    [
        ({"current_a": "-1"}, "current_a", "too_small"),
        ({"current_a": "NaN"}, "current_a", "not_a_number"),
        ({"current_a": ""}, "current_a", "required"),
        ({"voltage_v": "1e308"}, "voltage_v", "not_a_number"),
        ({"occurred_at": "2027-01-01T00:00"}, "occurred_at", "in_the_future"),
    ],
)
def test_bad_reading_is_refused_at_its_field(
    client_of: Client, bench: Any, changed: dict[str, str], field: str, code: str
) -> None:
    run = bench.charged()
    client_of.post(reverse("run-start", args=[run.code]), {"key": "on"})
    counts = row_counts()
    answer = client_of.post(
        reverse("run-read", args=[run.code]), {"key": "read", "current_a": "40"} | changed
    )
    assert answer.context["form"].has_error(field, code), answer.context["form"].errors.as_json()
    assert row_counts() == counts


def test_harvest_without_its_tests_asks_why(
    client_of: Client, bench: Any, works: SimpleNamespace
) -> None:
    run = bench.stopped()
    client_of.post(
        reverse("run-bag", args=[run.code]), {"key": "bag", "place": works.places["wet-bench"].pk}
    )
    sent = {
        "key": "harvest",
        "gross": "1500 g",
        "balance": works.balance.pk,
        "place": works.places["fine-safe"].pk,
        "rinse_count": "2",
        "declared-Ag": "999",
    }
    answer = client_of.post(reverse("run-harvest", args=[run.code]), sent)
    assert answer.status_code in {400, 409}
    assert "test_not_passed" in answer.context["form"].errors.as_json()
    assert not Harvest.objects.exists()
    assert client_of.post(
        reverse("run-harvest", args=[run.code]), sent | {"waiver": "goes back into the cell"}
    ).status_code in {302}
    assert Harvest.objects.get().tests_waived == "goes back into the cell"


def test_electrolyte_is_prepared_measured_topped_up_and_bled(
    client_of: Client, works: SimpleNamespace
) -> None:
    rack = works.places["carboys"].pk
    page = send(
        client_of, "electrolyte-prepare", [],
        place=rack, volume="11.5 l", standard_uncertainty="20 ml", **{"supplies-Ag": "690 g"},
    )  # fmt: skip
    lot = Lot.objects.get(form=Lot.Form.ELECTROLYTE)
    assert lot.code in page.content.decode()
    assert "60.0" in client_of.get(reverse("cells")).content.decode()
    send(
        client_of, "electrolyte-measure", [lot.code],
        method="titration", laboratory=works.laboratory.pk,
        **{"results-Ag": "59.2", "results-Ag-u": "0.3"},
    )  # fmt: skip
    assert "59.2" in client_of.get(reverse("cells")).content.decode()
    send(client_of, "electrolyte-top-up", [lot.code], volume="500 ml", standard_uncertainty="5 ml")
    send(
        client_of, "electrolyte-bleed", [lot.code],
        volume="2 l", standard_uncertainty="10 ml", place=rack,
    )  # fmt: skip
    assert Lot.objects.filter(form=Lot.Form.SOLUTION).count() == 1


def test_cells_and_slimes_are_for_staff(
    works: SimpleNamespace, bench: Any, browse_as: Callable[[object], Client]
) -> None:
    run = bench.charged()
    isolde = browse_as(works.isolde)
    for address in (
        reverse("cells"),
        reverse("slimes"),
        reverse("run", args=[run.code]),
        reverse("charge", args=["north"]),
    ):
        assert isolde.get(address).status_code == 404, address


def test_list_of_runs_takes_the_same_queries_for_one_run_and_for_three(
    client_of: Client, bench: Any, django_assert_max_num_queries: Any
) -> None:
    bench.charged()
    client_of.get(reverse("cells"))
    with django_assert_max_num_queries(30) as one:
        client_of.get(reverse("cells"))
    for code, place in (("south", "south-cell"), ("third", "wet-bench")):
        cell = bench.new_cell(code, place)
        bench.charged(cell=cell, electrolyte=bench.electrolyte(), takes=bench.charge().takes)
    with django_assert_max_num_queries(len(one)):
        client_of.get(reverse("cells"))


def test_many_electrolytes_are_paged_and_the_one_in_a_cell_comes_first(
    client_of: Client, bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cells.pages.cells.ELECTROLYTES_A_PAGE", 2)
    spare = [bench.electrolyte() for _ in range(3)]
    used = bench.electrolyte()
    used.cell = bench.cell
    used.save(update_fields=["cell"])
    first = client_of.get(reverse("cells"))
    assert [each.batch for each in first.context["electrolytes"]] == [used, spare[0]]
    assert "1–2 of 4" in first.content.decode()
    further = client_of.get(reverse("cells"), {"page": "2"})
    assert [each.batch for each in further.context["electrolytes"]] == spare[1:]


def test_measurement_of_nothing_is_refused_at_its_first_field(
    client_of: Client, bench: Any
) -> None:
    batch = bench.electrolyte()
    counts = row_counts()
    answer = client_of.post(
        reverse("electrolyte-measure", args=[batch.lot.code]), {"key": "nothing"}
    )
    assert answer.context["form"].has_error("volume", "nothing_measured")
    assert row_counts() == counts


def test_part_of_an_assay_is_refused_where_it_is_incomplete(
    client_of: Client, bench: Any, works: SimpleNamespace
) -> None:
    batch = bench.electrolyte()
    sent = {"key": "part", "results-Ag": "59", "results-Ag-u": "0.3", "volume": "11 l"}
    answer = client_of.post(reverse("electrolyte-measure", args=[batch.lot.code]), sent)
    form = answer.context["form"]
    assert set(form.errors) == {"method", "laboratory", "standard_uncertainty"}


def test_bags_chosen_in_the_queue_are_ticked_in_the_form(
    client_of: Client, bench: Any, works: SimpleNamespace
) -> None:
    run = bench.stopped()
    send(client_of, "run-bag", [run.code], place=works.places["slimes-cabinet"].pk)
    bag = SlimesBag.objects.get()
    assert f'name="bags" value="{bag.pk}"' in client_of.get(reverse("slimes")).content.decode()
    form = client_of.get(reverse("slimes-group"), {"bags": bag.pk}).context["form"]
    assert form["bags"].value() == [str(bag.pk)]


def test_run_says_how_far_silver_plates_above_copper(client_of: Client, bench: Any) -> None:
    # The Nernst equation by hand, 59.16 mV a decade at 25 °C: Ag 0.7996 V, Cu 0.34 V for 2 e-.
    run = bench.charged(electrolyte=bench.electrolyte(silver="60", copper="30"))
    silver_v = 0.7996 + 0.05916 * log10(60 / 107.868)
    copper_v = 0.34 + 0.05916 / 2 * log10(30 / 63.546)
    page = client_of.get(reverse("run", args=[run.code])).content.decode()
    assert f"silver plates {silver_v - copper_v:.2f} V above copper" in page


def test_rinse_says_what_the_cloud_of_a_drop_can_show(client_of: Client, bench: Any) -> None:
    # 50 micrograms of chloride in 17 ml as the cloud surely seen (limit test for chlorides).
    sure_mg_per_l = 50e-3 / 35.45 / 0.017 * 107.868
    run = bench.stopped()
    page = client_of.get(reverse("run-rinse", args=[run.code])).content.decode()
    assert f"surely clouds from {sure_mg_per_l:.0f} mg of silver in a litre" in page


def test_forgotten_readings_go_in_by_a_grid_and_a_gap_is_vouched_for(
    client_of: Client, bench: Any
) -> None:
    run = bench.stopped()
    page = send(
        client_of, "run-read-many", [run.code],
        **{
            "readings-taken_at": [f"{DAY}4T19:30", f"{DAY}4T14:30", ""],
            "readings-current_a": ["36", "36", ""],
            "readings-voltage_v": ["2.1", "", ""],
        },
    )  # fmt: skip
    run.refresh_from_db()
    assert run.coulomb_count.ampere_hours == 380
    assert "5 readings" in page.content.decode()
    address = reverse("run-read-many", args=[run.code])
    sent = {"key": "k", "readings-taken_at": [f"{DAY}4T20:00"], "readings-current_a": ["x"]}
    answer = client_of.post(address, sent)
    assert answer.status_code == 400
    assert "Row 1, Current, A" in answer.context["form"].errors.as_json()
    CellRun.objects.filter(pk=run.pk).update(stopped_at="2026-04-15T18:30Z")
    page = client_of.get(reverse("run", args=[run.code])).content.decode()
    link = page.partition("Nobody read the cell")[2].partition('href="')[2].partition('"')[0]
    form = client_of.get(link.replace("&amp;", "&")).context["form"]
    begun = {name: form[name].value() for name in ("key", "since", "until")}
    assert client_of.post(reverse("run-power-on", args=[run.code]), begun).status_code == 302
    run.refresh_from_db()
    assert run.coulomb_count.gap_count == 0
    page = client_of.get(reverse("run", args=[run.code])).content.decode()
    assert "the power was on all the time from" in page
    assert "Nobody read the cell" not in page
