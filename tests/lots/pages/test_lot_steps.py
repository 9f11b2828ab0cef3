"""Each thing that can be done with a lot, by its form: the plain day, and one refusal each."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from lots.ledger.holdings import claims_of, holding
from lots.models import Assay, Document, Lot, Movement, Person, Place, ProcessBatch, Weighing
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.taking import Take
from tests.builders import GRAM, receive, row_counts, weighed_output
from tests.sending import send


@pytest.fixture
def lot(works: SimpleNamespace, act: Callable[..., Any]) -> Lot:
    return receive(works, act(), owner=works.brackwater)


@pytest.fixture
def office(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    return browse_as(works.manager)


def test_weighing_is_kept_and_then_brings_the_book_to_it(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    page = send(
        browser, "weigh", [lot.code], gross="99.5 g", balance=works.balance.pk, purpose="check"
    )
    assert "99.500 g" in page.content.decode()
    assert holding(lot).mass_ug == 100 * GRAM
    check = Weighing.objects.get(purpose="check")
    send(browser, "post-difference", [check.pk], reason="dust left in the tray")
    assert holding(lot).mass_ug == 99_500_000


def test_assay_is_kept_and_rules_when_someone_lets_it(
    works: SimpleNamespace, office: Client, lot: Lot
) -> None:
    page = send(
        office, "assay", [lot.code],
        method="fire_assay", laboratory=works.laboratory.pk, side="house", basis="ppt",
        **{"results-Ag": "920.5", "results-Ag-u": "0.4", "results-Cu": "78", "results-Cu-u": "1"},
    )  # fmt: skip
    assert "920.5 ± 0.4" in page.content.decode()
    assert "provisional until an assay rules" in page.content.decode()
    page = send(office, "rule-assay", [Assay.objects.get().pk], reason="only report")
    assert holding(lot).metals == {"Ag": 92_050_000, "Cu": 7_800_000}
    assert "only report" in page.content.decode()


def test_assay_without_an_uncertainty_is_refused(
    works: SimpleNamespace, browser: Client, lot: Lot
) -> None:
    counts = row_counts()
    answer = send(
        browser, "assay", [lot.code], 400,
        method="fire_assay", laboratory=works.laboratory.pk, side="house", basis="ppt",
        **{"results-Ag": "920.5"},
    )  # fmt: skip
    assert answer.context["form"].has_error("results", "result_incomplete")
    assert row_counts() == counts


def test_wrong_assay_and_wrong_weighing_are_withdrawn(
    works: SimpleNamespace, office: Client, lot: Lot
) -> None:
    send(
        office, "assay", [lot.code],
        method="xrf", laboratory=works.laboratory.pk, side="house", basis="ppt",
        **{"results-Ag": "800", "results-Ag-u": "5"},
    )  # fmt: skip
    page = send(office, "withdraw-assay", [Assay.objects.get().pk], reason="wrong sample")
    assert "wrong sample" in page.content.decode()
    page = send(office, "withdraw-measurement", [Weighing.objects.get().pk], reason="wet pan")
    assert "wet pan" in page.content.decode()


def test_split_gives_each_part_its_label(browser: Client, works: SimpleNamespace, lot: Lot) -> None:
    page = send(
        browser, "split", [lot.code], part_1="30 g", part_2="1 ozt",
        part_2_place=works.places["melt-bench"].pk,
    )  # fmt: skip
    parts = Lot.objects.exclude(pk=lot.pk).order_by("id")
    assert [holding(part).mass_ug for part in parts] == [30_000_000, 31_103_477]
    assert all(part.code in page.content.decode() for part in parts)


def test_split_of_more_than_there_is_writes_nothing(browser: Client, lot: Lot) -> None:
    counts = row_counts()
    answer = send(browser, "split", [lot.code], 409, part_1="101 g")
    assert "more_than_there_is" in answer.context["form"].errors.as_json()
    assert row_counts() == counts


def test_two_owners_blend_into_the_pool_and_gain_claims(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any], lot: Lot
) -> None:
    other = receive(works, act(), owner=works.pellow)
    send(
        browser, "blend", [],
        form="feed", place=works.places["melt-bench"].pk, keep_apart="on",
        **{"takes-lot": [lot.code, other.code.lower(), ""], "takes-portion": ["", "50 g", ""]},
    )  # fmt: skip
    assert claims_of(works.brackwater)["Ag"] == 92_500_000
    assert claims_of(works.pellow)["Ag"] == 46_250_000


def test_blend_of_a_mistyped_code_names_the_check_character(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    wrong = lot.code[:-1] + ("1" if lot.code[-1] != "1" else "2")
    answer = send(
        browser, "blend", [], 400,
        form="feed", place=works.places["melt-bench"].pk,
        **{"takes-lot": [wrong], "takes-portion": [""]},
    )  # fmt: skip
    assert answer.context["form"].has_error("takes", "bad_check_character")


def test_carried_set_aside_and_released(
    browser: Client, browse_as: Callable[[object], Client], works: SimpleNamespace, lot: Lot
) -> None:
    send(browser, "transfer", [lot.code], place=works.places["melt-bench"].pk)
    send(
        browser, "set-aside", [lot.code],
        reason="smells of acid", place=works.places["quarantine"].pk,
    )  # fmt: skip
    page = browser.get(reverse("lot", args=[lot.code])).content.decode()
    assert "smells of acid" in page
    assert reverse("split", args=[lot.code]) not in page
    assayer = browse_as(works.assayer)
    send(assayer, "release", [lot.code], reason="dry and clean", place="")
    lot.refresh_from_db()
    assert (lot.state, lot.place.code) == ("available", "quarantine")


def test_melted_sampled_and_the_sample_used_up(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    shelf = Place.objects.create(code="samples", name="Sample shelf", area="laboratory")
    send(
        browser, "melt", [lot.code],
        form="granules", gross="99.2 g", balance=works.balance.pk,
        place=works.places["melt-bench"].pk,
    )  # fmt: skip
    melted = Lot.objects.get(form="granules")
    send(browser, "sample", [melted.code], mass="2 g", place=shelf.pk)
    sample = Lot.objects.get(form="sample")
    assert holding(sample).mass_ug == 2_000_000
    send(browser, "use-up", [sample.code], mass="")
    assert holding(sample).is_empty


def test_returned_to_its_customer_and_shipped(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any], lot: Lot
) -> None:
    send(browser, "return", [lot.code], customer=works.brackwater.pk)
    house_lot = receive(works, act())
    send(browser, "ship", [house_lot.code], to=works.pellow.pk)
    assert set(Lot.objects.values_list("state", flat=True)) == {"returned", "shipped"}


def test_office_changes_the_owner_and_settles_a_claim(
    office: Client, works: SimpleNamespace, lot: Lot
) -> None:
    send(office, "change-owner", [lot.code], owner=works.house.pk, as_claim="on")
    assert claims_of(works.brackwater)["Ag"] == 92_500_000
    send(office, "settle-claim", [], owner=works.brackwater.pk, **{"metals-Ag": "1 ozt"})
    assert claims_of(works.brackwater)["Ag"] == 92_500_000 - 31_103_477


def test_operator_is_turned_away_from_the_office_steps(browser: Client, lot: Lot) -> None:
    assert browser.get(reverse("change-owner", args=[lot.code])).status_code == 403
    assert browser.get(reverse("settle-claim")).status_code == 403
    assert "Change of owner" not in browser.get(reverse("lot", args=[lot.code])).content.decode()


def test_written_off_with_its_cause(browser: Client, lot: Lot) -> None:
    send(browser, "write-off", [lot.code], mass="10 g", cause="spill", stage="store")
    assert holding(lot).mass_ug == 90 * GRAM
    answer = send(browser, "write-off", [lot.code], 409, mass="95 g", cause="spill", stage="store")
    assert "more_than_there_is" in answer.context["form"].errors.as_json()


def test_paper_is_attached_and_offered_for_saving(
    browser: Client, lot: Lot, settings: Any, tmp_path: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path
    paper = SimpleUploadedFile("note.pdf", b"%PDF-1.4 invented", "application/pdf")
    send(browser, "attach", [lot.code], file=paper)
    kept = Document.objects.get()
    answer = browser.get(reverse("document", args=[kept.pk]))
    assert answer.headers["Content-Disposition"] == 'attachment; filename="note.pdf"'
    assert b"".join(answer.streaming_content) == b"%PDF-1.4 invented"
    fake = SimpleUploadedFile("note.png", b"%PDF-1.4 not a picture", "image/png")
    answer = send(browser, "attach", [lot.code], 400, file=fake)
    assert "not_what_it_claims" in answer.context["form"].errors.as_json()


def test_process_batch_by_its_forms_and_its_reversal(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any]
) -> None:
    feed = receive(works, act(), grams=1000)
    page = send(
        browser, "batch-start", [],
        kind="granulating", place=works.places["melt-bench"].pk, keep_apart="on",
        **{"inputs-lot": [feed.code], "inputs-portion": [""]},
    )  # fmt: skip
    batch = ProcessBatch.objects.get()
    assert batch.code in page.content.decode()
    send(
        browser, "batch-output", [batch.code],
        form="granules", place=works.places["melt-bench"].pk, basis="ppt",
        gross="998 g", balance=works.balance.pk,
        **{"declared-Ag": "925", "declared-Cu": "75"},
    )  # fmt: skip
    page = send(browser, "batch-close", [batch.code])
    assert "nothing by the book" in page.content.decode()
    closing = Movement.objects.get(kind="batch_close")
    page = send(browser, "movement", [closing.sequence], reason="more granules found")
    assert "This takes back" in page.content.decode()
    batch.refresh_from_db()
    assert batch.state == "open"


def test_an_output_of_no_known_content_marks_each_way_to_give_one(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any]
) -> None:
    shelf = works.places["melt-bench"]
    inputs = Inputs([Take(receive(works, act(), grams=100))])
    batch = start_batch(kind="granulating", place=shelf, inputs=inputs, act=act(1))
    answer = send(
        browser, "batch-output", [batch.code], 400,
        form="granules", place=shelf.pk, gross="98 g", balance=works.balance.pk,
    )  # fmt: skip
    errors = answer.context["form"].errors
    assert {"method", "declared", "estimated"} == set(errors), errors


def test_output_above_the_book_stays_on_show_until_explained(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any]
) -> None:
    feed = receive(works, act(), grams=100)
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(feed)]),
        act=act(1),
    )
    out = record_output(batch=batch, output=weighed_output(works, 110), act=act(2))
    page = browser.get(reverse("lot", args=[out.code])).content.decode()
    assert "above the book" in page
    page = send(
        browser, "explain-excess", [out.excesses.first().pk], explanation="last batch's splash"
    ).content.decode()
    assert page.count("above the book") == 1


def test_movement_page_refuses_a_second_reversal(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    send(browser, "transfer", [lot.code], place=works.places["melt-bench"].pk)
    carried = Movement.objects.get(kind="transfer")
    send(browser, "movement", [carried.sequence], reason="wrong lot")
    counts = row_counts()
    again = browser.post(
        reverse("movement", args=[carried.sequence]), {"key": "again", "reason": "wrong lot"}
    )
    assert again.status_code == 409
    assert "already_reversed" in again.context["form"].errors.as_json()
    assert row_counts() == counts


def test_lots_list_takes_the_same_queries_for_one_lot_and_for_ten(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any],
    django_assert_max_num_queries: Any,
) -> None:  # fmt: skip
    receive(works, act())
    for name in ("lots", "movements"):
        with django_assert_max_num_queries(20) as one:
            browser.get(reverse(name))
        for _ in range(9):
            receive(works, act(), owner=works.pellow)
        with django_assert_max_num_queries(len(one)):
            browser.get(reverse(name))


def test_lists_are_narrowed_by_the_filters_of_the_api(
    browser: Client, works: SimpleNamespace, act: Callable[..., Any], lot: Lot
) -> None:
    house_lot = receive(works, act())
    page = browser.get(reverse("lots"), {"owner": "tern-quay"}).content.decode()
    assert house_lot.code in page
    assert lot.code not in page
    wrong = browser.get(reverse("lots"), {"owner": "nobody"})
    assert wrong.context["rows"] == []
    assert "problem" in wrong.content.decode()


def test_search_opens_the_lot_whose_code_was_typed_and_finds_words(
    browser: Client, works: SimpleNamespace, lot: Lot
) -> None:
    spoken = lot.code.lower().replace("-", " ")
    assert browser.get(reverse("search"), {"q": spoken}).url == reverse("lot", args=[lot.code])
    found = browser.get(reverse("search"), {"q": "brackwater"}).content.decode()
    assert lot.code in found
    assert "Isolde Brackwater" in found
    assert "Nothing on the books" in browser.get(reverse("search"), {"q": "zinc"}).content.decode()


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("1 302.4 g", "= 1\u202f302.400 g · 41.873 ozt"),
        ("41.87 ozt", "= 1\u202f302.303 g · 41.870 ozt"),
        ("26 dwt", "= 40.435 g · 1.300 ozt"),
        ("12 oz", "ozav"),
        ("x", "Write the unit"),
        ("", ""),
    ],
)
def test_conversion_is_shown_while_a_mass_is_typed(browser: Client, typed: str, shown: str) -> None:
    answer = browser.get(reverse("convert-mass"), {"of": "gross", "gross": typed})
    assert shown in answer.content.decode()


def test_every_role_of_the_works_reads_the_lot(
    works: SimpleNamespace, browse_as: Callable[[object], Client], lot: Lot
) -> None:
    for role in (Person.Role.OPERATOR, Person.Role.ASSAYER, Person.Role.ACCOUNTANT):
        client = browse_as(getattr(works, role))
        assert client.get(reverse("lot", args=[lot.code])).status_code == 200
