"""One person's requests to the site, sent again with the same key until they are answered."""

from __future__ import annotations

import http.client
import http.cookiejar
import json
import random
import time
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Final

from tests.stress.site import PASSWORD

# What a client meets while a server is down, killed in the middle, or too busy.
LOST: Final = (urllib.error.URLError, OSError, http.client.HTTPException)
AGAIN: Final = {502, 503, 504}
TRIES_MAX: Final = 400


@dataclass(frozen=True)
class Answer:
    status: int
    body: Any


@dataclass(frozen=True)
class Content:
    """A body that is not JSON, with what it is."""

    body: bytes
    kind: str


@dataclass
class Tally:
    """What one client saw. `acknowledged` and `refused` are by idempotency key."""

    acknowledged: dict[str, Any] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    unanswered: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    differing: list[str] = field(default_factory=list)
    sent: int = 0
    lost: int = 0
    busy: Counter[str] = field(default_factory=Counter)

    def take(self, key: str, answer: Answer | None) -> None:
        """Files the last answer to a key; a repeat of an acknowledged one must be the same."""
        if answer is None:
            self.unanswered.append(key)
        elif answer.status < 300:
            if self.acknowledged.setdefault(key, answer.body) != answer.body:
                self.differing.append(key)
        elif answer.status < 500:
            self.refused[key] = str(answer.body.get("code"))
        else:
            self.broken.append(f"{key}: {answer.status} {str(answer.body)[:200]}")


class Client:
    """Signed in by the page, as a browser is. Used by one thread at a time."""

    def __init__(self, address: str, name: str, seed: int = 0) -> None:
        self.address = address
        self.tally = Tally()
        self._name = name
        self._random = random.Random(f"{name} {seed}")
        self._cookies = http.cookiejar.CookieJar()
        self._open = urllib.request.build_opener(
            urllib.request.HTTPCookieProcessor(self._cookies)
        ).open

    def sign_in(self) -> None:
        page = f"{self.address}/sign-in/"
        self._open(page, timeout=60).close()
        form = {"username": self._name, "password": PASSWORD, "csrfmiddlewaretoken": self._token()}
        self._open(page, data=urllib.parse.urlencode(form).encode(), timeout=60).close()
        if not any(cookie.name == "sessionid" for cookie in self._cookies):
            raise RuntimeError(f"{self._name} could not sign in")

    def get(self, path: str) -> Answer | None:
        return self._until_answered("GET", path, None, "")

    def post(self, path: str, body: Any, key: str) -> Answer | None:
        """The answer, or None when none came in `TRIES_MAX` tries."""
        answer = self._until_answered("POST", path, body, key)
        self.tally.take(key, answer)
        return answer

    def _until_answered(self, method: str, path: str, body: Any, key: str) -> Answer | None:
        for tries in range(TRIES_MAX):
            answer = self.send_once(method, path, body, key)
            if answer is None:
                self.tally.lost += 1
            elif answer.status in AGAIN:
                self.tally.busy[str(answer.body.get("code"))] += 1
            elif _is_asked(answer) and isinstance(body, dict):
                # The driver's figures are as they should be, however unlike the works' usual ones.
                body = {**body, "confirm": True}
            else:
                return answer
            time.sleep(self._random.uniform(0.02, min(0.5, 0.05 * (tries + 1))))
        return None

    def send_once(self, method: str, path: str, body: Any, key: str) -> Answer | None:
        """One try; None when the connection was lost before an answer came."""
        self.tally.sent += 1
        if not isinstance(body, Content):
            text = b"" if body is None else json.dumps(body).encode()
            body = Content(text, "application/json")
        headers = {"Content-Type": body.kind, "X-CSRFToken": self._token()}
        if key:
            headers["Idempotency-Key"] = key
        request = urllib.request.Request(
            f"{self.address}/api/v1/{path}",
            data=body.body if method == "POST" else None,
            headers=headers,
            method=method,
        )
        try:
            with self._open(request, timeout=60) as response:
                return Answer(response.status, json.loads(response.read() or b"null"))
        except urllib.error.HTTPError as error:
            try:
                content = error.read()
            except LOST:
                return None
            return Answer(error.code, _as_json(content))
        except LOST:
            return None

    def _token(self) -> str:
        values = [cookie.value for cookie in self._cookies if cookie.name == "csrftoken"]
        return values[0] or "" if values else ""


def _is_asked(answer: Answer) -> bool:
    return answer.status == 409 and answer.body.get("code") == "unlikely"


def _as_json(content: bytes) -> Any:
    try:
        return json.loads(content)
    except ValueError:
        return {"code": content[:200].decode(errors="replace")}
