"""What a driver's people do: receive, share out lots they compete for, blend, move, take back."""

from __future__ import annotations

import datetime as dt
import random
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from tests.stress.client import Client

PLACES: Final = ("feed-shelf", "melt-bench", "wet-bench", "fine-safe")
# What a request here may be refused with: all of them say that somebody else came first.
EXPECTED: Final = {
    "already_reversed",
    "already_there",
    "lot_is_empty",
    "lot_not_available",
    "lot_not_there_yet",
    "lot_overdrawn",
    "month_closed",
    "more_than_there_is",
}


@dataclass
class Plan:
    """What all writers share: the lots they compete for, and where back-dated acts may fall."""

    hot_lots: Sequence[str]
    back_dated: dt.datetime
    requests: int
    seed: int
    # Every so many requests one goes out twice at the same moment.
    doubled_every: int = 5


@dataclass
class Writer:
    """One person working through `plan.requests` requests."""

    client: Client
    plan: Plan
    name: str
    twin: Client
    lots: list[str] = field(default_factory=list)
    splits: list[int] = field(default_factory=list)
    done: int = 0

    def work(self) -> None:
        chance = random.Random(f"{self.plan.seed} {self.name}")
        for number in range(self.plan.requests):
            path, body = self._next(chance)
            if chance.random() < 0.15:
                body["occurred_at"] = (
                    self.plan.back_dated + dt.timedelta(minutes=chance.randrange(60 * 24))
                ).isoformat()
            key = f"{self.name}-{self.plan.seed}-{number}"
            doubled = number % self.plan.doubled_every == 0
            answer = self._twice(path, body, key) if doubled else self._once(path, body, key)
            if answer is not None:
                self._remember(path, body, answer)
            self.done += 1

    def _next(self, chance: random.Random) -> tuple[str, dict[str, Any]]:
        kind = chance.random()
        if kind < 0.25 or not self.lots:
            owner = chance.choice(["tern-quay", "brackwater", "pellow-dane"])
            weight = {"gross": f"{chance.randrange(50_000, 900_000) / 1000:.3f} g"}
            return "receipts/", {
                "party": "brackwater" if owner == "tern-quay" else owner,
                "owner": owner,
                "form": "granules",
                "place": "feed-shelf",
                "weight": {**weight, "balance": "bench"},
                "declared": {"Ag": "900", "Cu": "100"},
            }
        if kind < 0.65:
            mass = f"{chance.randrange(20_000, 60_000) / 1000:.3f} g"
            hot = chance.choice(list(self.plan.hot_lots))
            return f"lots/{hot}/split/", {"parts": [{"mass": mass}]}
        if kind < 0.8:
            place = chance.choice(PLACES)
            return f"lots/{chance.choice(self.lots)}/transfer/", {"place": place}
        if kind < 0.9 and self.splits:
            sequence = self.splits.pop(chance.randrange(len(self.splits)))
            return f"movements/{sequence}/reverse/", {"reason": "Weighed out by mistake."}
        takes = [{"lot": code} for code in chance.sample(self.lots, min(2, len(self.lots)))]
        if len(takes) < 2:
            takes.append({"lot": self.plan.hot_lots[0], "mass": "10 g"})
        return "blends/", {"takes": takes, "form": "granules", "place": "melt-bench"}

    def _once(self, path: str, body: dict[str, Any], key: str) -> Any:
        answer = self.client.post(path, body, key)
        return answer.body if answer is not None and answer.status < 300 else None

    def _twice(self, path: str, body: dict[str, Any], key: str) -> Any:
        other = threading.Thread(target=self.twin.post, args=(path, body, key))
        other.start()
        answer = self._once(path, body, key)
        other.join()
        return answer

    def _remember(self, path: str, body: dict[str, Any], answer: Any) -> None:
        if path == "receipts/":
            self.lots.append(answer["code"])
        elif path == "blends/":
            gone = {take["lot"] for take in body["takes"] if "mass" not in take}
            self.lots = [*(code for code in self.lots if code not in gone), answer["code"]]
        elif path.endswith("/split/"):
            self.splits.append(answer["sequence"])
