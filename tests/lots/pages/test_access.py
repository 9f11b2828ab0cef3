"""Who sees which page: strangers sign in, customers see their own answer and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.contrib.auth import get_user_model
from django.test import Client
from django.urls import reverse

from config import pages
from tests.builders import receive

STAFF_PAGES = ["bench", "receive", "blend", "labels", "lots", "movements", "batches", "search"]


def test_staff_see_every_page_of_the_ledger(browser: Client) -> None:
    for name in [*STAFF_PAGES, "today"]:
        assert browser.get(reverse(name)).status_code == 200, name


def test_stranger_is_led_to_sign_in_and_back(works: SimpleNamespace, client: Client) -> None:
    for name in [*STAFF_PAGES, "today", "my-lots"]:
        answer = client.get(reverse(name))
        assert answer.status_code == 302, name
        assert answer.url == f"/sign-in/?next={reverse(name)}"


def test_customer_gets_nothing_of_the_works(
    works: SimpleNamespace, browse_as: Callable[[object], Client], act: Callable[..., object]
) -> None:
    lot = receive(works, act(), owner=works.brackwater)
    isolde = browse_as(works.isolde)
    for name in STAFF_PAGES:
        assert isolde.get(reverse(name)).status_code == 404, name
    for name in ("lot", "label", "weigh", "assay", "split"):
        assert isolde.get(reverse(name, args=[lot.code])).status_code == 404, name
    assert isolde.get(reverse("movement", args=[1])).status_code == 404


def test_customer_sees_the_answer_of_their_own_lot_only(
    works: SimpleNamespace, browse_as: Callable[[object], Client], act: Callable[..., object]
) -> None:
    lot = receive(works, act(), owner=works.brackwater)
    address = reverse("lot-answer", args=[lot.code])
    assert browse_as(works.isolde).get(address).status_code == 200
    assert browse_as(works.dane).get(address).status_code == 404
    assert lot.code in browse_as(works.isolde).get(reverse("my-lots")).content.decode()
    assert lot.code not in browse_as(works.dane).get(reverse("my-lots")).content.decode()


def test_who_has_no_role_is_told_whom_to_ask(
    works: SimpleNamespace, browse_as: Callable[[object], Client], act: Callable[..., object]
) -> None:
    lot = receive(works, act(), owner=works.brackwater)
    works.manager.first_name, works.manager.last_name = "Rut", "Larsen"
    works.manager.save()
    nobody = browse_as(get_user_model().objects.create_user("nobody"))
    addresses = [reverse(name) for name in [*STAFF_PAGES, "today", "my-lots", "tokens"]]
    addresses += [reverse(name, args=[lot.code]) for name in ("lot", "lot-answer", "weigh")]
    for address in [*addresses, reverse("account", args=["brackwater"]), reverse("my-deliveries")]:
        answer = nobody.get(address)
        page = answer.content.decode()
        assert answer.status_code == 403, address
        assert "Rut Larsen" in page, address
        assert "label" not in page, address
    assert nobody.get("/no-such-page/").status_code == 404


def test_label_leads_staff_to_the_lot_and_the_customer_to_the_answer(
    works: SimpleNamespace,
    browser: Client,
    browse_as: Callable[[object], Client],
    act: Callable[..., object],
) -> None:
    lot = receive(works, act(), owner=works.brackwater)
    address = reverse("scanned", args=[lot.code])
    assert browser.get(address).url == reverse("lot", args=[lot.code])
    assert browse_as(works.isolde).get(address).url == reverse("lot-answer", args=[lot.code])


def test_operator_may_not_let_an_assay_rule(browser: Client) -> None:
    assert browser.get(reverse("rule-assay", args=[1])).status_code == 403


def test_sign_in_tells_of_a_wrong_password_without_saying_which(
    works: SimpleNamespace, client: Client
) -> None:
    works.operator.set_password("silver-in-the-cell")
    works.operator.save()
    address = reverse("sign-in")
    wrong = client.post(address, {"username": "operator", "password": "nonsense"})
    assert "do not belong together" in wrong.content.decode()
    right = client.post(address, {"username": "operator", "password": "silver-in-the-cell"})
    assert (right.status_code, right.url) == (302, "/")
    assert client.post(reverse("sign-out")).url == "/sign-in/"


def test_pages_forbid_foreign_and_inline_scripts(browser: Client) -> None:
    answer = browser.get(reverse("receive"))
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
    page = answer.content.decode()
    assert "<style" not in page
    assert " style=" not in page
    assert "onclick" not in page
    assert "https://" not in page


@pytest.mark.parametrize("code", ["404", "403", "400", "500"])
def test_error_pages_render(code: str, rf: object) -> None:
    request = rf.get("/")
    views = {
        "404": lambda: pages.not_found(request, Exception()),
        "403": lambda: pages.not_allowed(request, Exception()),
        "400": lambda: pages.bad_request(request, Exception()),
        "500": lambda: pages.broken(request),
    }
    answer = views[code]()
    assert answer.status_code == int(code)
    assert "<h1>" in answer.content.decode()
