"""Takes the README's pictures from the demo: `python -m tests.browser.pictures`.

The demo is built in a folder that is thrown away, and served to Chromium on this machine alone.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from tests.browser.chromium import ARGUMENTS, CHROMIUM, PATIENCE_MS

ROOT: Final = Path(__file__).resolve().parents[2]
FOLDER: Final = ROOT / "docs" / "pictures"
# The same month each time, so that a picture changes only when its page does.
MONTH: Final = "2026-11"
# A picture's page, and the heading that it begins at.
PAGES: Final = {
    "run": ("/runs/RN26-0004-1/", "Run RN26-0004-1"),
    "month": ("/months/2026-10/", "Statement"),
}
SIZE: Final = (1200, 850)
QUALITY: Final = 60
BYTES_MAX: Final = 120_000


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def _take(address: str, password: str) -> None:
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - absent where not installed

    width, height = SIZE
    FOLDER.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which(CHROMIUM), args=ARGUMENTS)
        context = browser.new_context(
            viewport={"width": width, "height": height}, base_url=address, color_scheme="light"
        )
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        page.goto("/sign-in/")
        page.get_by_label("Username").fill("marit")
        page.get_by_label("Password").fill(password)
        page.locator("main").get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda where: "/sign-in/" not in where)
        for name, (where, heading) in PAGES.items():
            answer = page.goto(where)
            assert answer is not None, f"{where} was not opened"
            assert answer.ok, f"{where} answered {answer.status}"
            page.wait_for_load_state("networkidle")
            page.get_by_role("heading", name=heading).first.evaluate(
                "each => each.scrollIntoView()"
            )
            path = FOLDER / f"{name}.jpg"
            page.screenshot(path=path, type="jpeg", quality=QUALITY)
            assert path.stat().st_size < BYTES_MAX, f"{path.name} is too large to show"
        browser.close()


def main() -> None:
    port = _free_port()
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "manage.py", "demo", "--month", MONTH, "--port", str(port)]
        demo = subprocess.Popen(
            command,
            cwd=ROOT,
            env={**os.environ, "DATA_DIR": folder, "PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert demo.stdout is not None
            password = ""
            for line in demo.stdout:
                if found := re.search(r"the password of this demo is (\S+)", line):
                    password = found[1]
                if "Quit the server" in line:
                    break
            assert password, "the demo stopped before it served"
            _take(f"http://127.0.0.1:{port}", password)
        finally:
            demo.terminate()
            demo.wait()


if __name__ == "__main__":
    main()
