"""A works of five signs in on one day: the manager adds them, and each does one thing they may."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import TYPE_CHECKING

from lots.ledger.recording import Act
from lots.models import ApiToken, Lot, Person, PersonChange, Place
from lots.people.ways_in import Way
from lots.queries.works import is_one_persons
from lots.services.quarantine import quarantine_lot
from tests.browser.conftest import SIZES
from tests.browser.test_chain import choose, done
from tests.builders import receive

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHOSEN = "wet-granules-7-am"
ADDED = (
    ("Ove Lund", "ove", "Operator"),
    ("Ada Holm", "ada", "Assayer"),
    ("Cai Reed", "cai", "Accountant"),
    ("Marit Dahl", "marit", "Manager"),
    ("Isolde Brackwater", "isa", "Customer"),
)


@contextmanager
def signed_in_by(chromium: Browser, site: str, size: str, told: str, name: str) -> Iterator[Page]:
    """A browser of somebody's own, in by what the manager handed over, with their own password."""
    width, height = SIZES[size]
    context = chromium.new_context(viewport={"width": width, "height": height}, base_url=site)
    page = context.new_page()
    if "#" in told:
        page.goto(told)
        assert "#" not in page.url
    else:
        page.goto("/sign-in/")
        page.get_by_label("Username").fill(name)
        page.get_by_label("Password").fill(told)
    page.locator("main").get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/password/")
    if "#" not in told:
        page.get_by_label("Old password").fill(told)
    page.get_by_label("New password", exact=True).fill(CHOSEN)
    page.get_by_label("New password confirmation").fill(CHOSEN)
    page.get_by_role("button", name="Change it").click()
    page.wait_for_url(lambda address: "/password/" not in address)
    yield page
    context.close()


def add(page: Page, name: str, username: str, role: str, way: str) -> str:
    page.locator("main").get_by_role("link", name="Add a").first.click()
    page.wait_for_url("**/people/add/")
    page.get_by_label("Name", exact=False).first.fill(name)
    page.get_by_label("Sign-in name").fill(username)
    choose(page, "Role", role)
    if role == "Customer":
        choose(page, "Customer", "Isolde Brackwater")
    choose(page, "How they sign in at first", way)
    done(page, "Add them")
    return page.locator("#told").input_value()


def test_five_people_are_added_and_each_does_one_thing_they_may(
    chromium: Browser,
    open_as: Callable[..., Page],
    site: str,
    size: str,
    works: SimpleNamespace,
) -> None:
    act = Act(who=works.manager)
    moved, kept = receive(works, act), receive(works, act)
    quarantine_lot(lot=kept, reason="torn bag", act=act)
    page = open_as("manager", size)
    page.goto("/bench/")
    page.get_by_role("link", name="People", exact=False).first.click()
    told = {}
    for at, (name, username, role) in enumerate(ADDED):
        way = (Way.LINK, Way.PASSWORD)[at % 2].label
        told[username] = add(page, name, username, role, way)
    with signed_in_by(chromium, site, size, told["ove"], "ove") as own:
        own.goto(f"/lots/{moved.code}/transfer/")
        choose(own, "Where", "Fine safe")
        done(own, "Record where it stands")
    assert Lot.objects.get(pk=moved.pk).place == works.places["fine-safe"]
    with signed_in_by(chromium, site, size, told["ada"], "ada") as own:
        own.goto(f"/lots/{kept.code}/release/")
        own.get_by_label("Why").fill("assayed at 999.2")
        done(own, "Release it")
    assert Lot.objects.get(pk=kept.pk).state == Lot.State.AVAILABLE
    with signed_in_by(chromium, site, size, told["cai"], "cai") as own:
        own.goto("/reference/places/add/")
        own.get_by_label("Name").fill("Strong room")
        choose(own, "Area", "Fine store")
        own.locator("main button.primary").click()
        own.wait_for_url("**/reference/places/")
    assert Place.objects.filter(name="Strong room").exists()
    with signed_in_by(chromium, site, size, told["marit"], "marit") as own:
        own.goto("/bench/")
        own.get_by_role("link", name="One person’s works", exact=False).click()
        own.get_by_label("This works is run by one person").check()
        own.get_by_label("Why").fill("to try it")
        done(own, "Keep it")
    assert is_one_persons()
    with signed_in_by(chromium, site, size, told["isa"], "isa") as own:
        own.goto("/my-lots/")
        assert "lots sent in" in own.locator("main").inner_text()
        assert own.goto("/people/").status == 404  # type: ignore[union-attr]


def test_who_is_switched_off_is_out_at_once(
    open_as: Callable[..., Page], size: str, works: SimpleNamespace
) -> None:
    operator = open_as("operator", size)
    page = open_as("manager", size)
    person = Person.objects.get(user=works.operator)
    page.goto("/people/")
    page.get_by_role("link", name="operator", exact=True).click()
    page.get_by_role("link", name="Switch off").click()
    page.get_by_label("Why").fill("left in May")
    assert "left in May" in done(page, "Switch off")
    operator.goto("/bench/")
    assert "/sign-in/" in operator.url
    assert not ApiToken.objects.filter(user=works.operator, revoked_at=None).exists()
    assert PersonChange.objects.filter(person=person, what="off").count() == 1
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
