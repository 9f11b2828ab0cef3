"""The site served to a real browser: a private database, a server of its own, Chromium."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from django.test.testcases import LiveServerThread, _StaticFilesHandler

from tests.browser.chromium import ARGUMENTS, CHROMIUM, PATIENCE_MS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

PASSWORD = "silver-in-the-cell"
SIZES = {"desktop": (1280, 900), "phone": (360, 800)}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - absent where not installed

    # The driver keeps an event loop in this thread, which Django takes for asynchronous code.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which(CHROMIUM), args=ARGUMENTS)
        yield browser
        browser.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


def served() -> Iterator[str]:
    """The site over the test's own database, on a port of its own."""
    server = LiveServerThread("127.0.0.1", _StaticFilesHandler, port=0)
    server.daemon = True
    server.start()
    server.is_ready.wait()
    assert server.error is None, server.error
    yield f"http://127.0.0.1:{server.port}"
    server.terminate()


@pytest.fixture
def site(emptied_database: None, works: SimpleNamespace) -> Iterator[str]:
    """The works' site on a port of its own; everyone of the cast can sign in."""
    for name in ("operator", "assayer", "accountant", "manager", "isolde", "dane"):
        person = getattr(works, name)
        person.set_password(PASSWORD)
        person.save()
    yield from served()


@pytest.fixture(params=sorted(SIZES))
def size(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def open_as(chromium: Browser, site: str) -> Iterator[Callable[..., Page]]:
    """Signs somebody in, in a browser of their own, and gives its first page.

    A page fails its test when anything on it raises or breaks the content security policy.
    """
    contexts: list[BrowserContext] = []
    wrongs: list[str] = []

    def sign_in(name: str, size: str = "desktop", scheme: Any = "light") -> Page:
        width, height = SIZES[size]
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            base_url=site,
            timezone_id="UTC",
        )
        context.set_default_timeout(PATIENCE_MS)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: wrongs.append(str(error)))
        page.on(
            "console",
            lambda message: (
                wrongs.append(message.text) if "Security Policy" in message.text else None
            ),
        )
        page.goto("/sign-in/")
        page.get_by_label("Username").fill(name)
        page.get_by_label("Password").fill(PASSWORD)
        page.locator("main").get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda address: "/sign-in/" not in address)
        return page

    yield sign_in
    for context in contexts:
        context.close()
    assert not wrongs, wrongs


@pytest.fixture
def keep_picture(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Page, str], None]:
    """Screenshots go to the folder named by BROWSER_PICTURES, or to the tests' temporary one."""
    named = os.environ.get("BROWSER_PICTURES")
    folder = Path(named) if named else tmp_path_factory.mktemp("pictures")
    folder.mkdir(parents=True, exist_ok=True)

    def keep(page: Page, name: str) -> None:
        page.screenshot(path=folder / f"{name}.png", full_page=True)

    return keep
