"""Closes last month while others still post into it; two persons prepare and approve."""

from __future__ import annotations

import threading
from collections.abc import Callable
from itertools import count

from tests.stress.client import Answer, Client


class Closer:
    """Goes round from preparing to closing until the month is closed or it is told to stop."""

    def __init__(self, accountant: Client, manager: Client, month: str) -> None:
        self._accountant, self._manager = accountant, manager
        self._path = f"months/{month}"
        self._numbers = count()
        self.rounds = 0
        self.is_closed = False

    @property
    def clients(self) -> list[Client]:
        return [self._accountant, self._manager]

    def work(self, stop: threading.Event, is_time: Callable[[], bool]) -> None:
        while not stop.is_set() and not is_time():
            stop.wait(0.02)
        self._do(self._accountant, "begin", {})
        while not stop.is_set() and not self.is_closed:
            self.try_once()
            stop.wait(0.2)

    def try_once(self) -> None:
        """One round; a month that changed since it was approved is sent back."""
        self.rounds += 1
        self._do(self._accountant, "prepare", {"waiver": "No count: a drill."})
        self._do(self._manager, "approve", {})
        closed = self._do(self._manager, "close", {})
        if closed is not None and closed.status < 300:
            self.is_closed = True
        else:
            self._do(self._manager, "send-back", {})

    def _do(self, client: Client, act: str, body: dict[str, str]) -> Answer | None:
        return client.post(f"{self._path}/{act}/", body, f"month-{act}-{next(self._numbers)}")
