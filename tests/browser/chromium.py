"""How Chromium is started for the tests and the README's pictures."""

from __future__ import annotations

from typing import Final

# The name is Debian's.
CHROMIUM: Final = "chromium"
# As a service runs it: no sandbox of its own, no calls home.
ARGUMENTS: Final = [
    "--no-sandbox",
    "--headless=new",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
# A busy machine serves its first page slowly.
PATIENCE_MS: Final = 30_000
