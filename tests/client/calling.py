"""What every call of the example client does alike, with the standard library alone."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from typing import Any, Final

LEFT_OUT: Final = object()
TRIES: Final = 3
BUSY: Final = 503


class Refused(Exception):
    """The API turned a request down; `problem` has its code, field, value, message, remedy."""

    def __init__(self, status: int, problem: dict[str, Any]) -> None:
        super().__init__(f"{status} {problem.get('code')}: {problem.get('message')}")
        self.status = status
        self.problem = problem


class Caller:
    """Sends requests with a token. Each POST has a key of its own, so trying again is safe."""

    def __init__(self, address: str, token: str = "", *, seconds: float = 30) -> None:
        self.address = address.rstrip("/")
        self.token = token
        self.seconds = seconds

    @staticmethod
    def quoted(value: object) -> str:
        return urllib.parse.quote(str(value), safe="")

    def call(
        self,
        method: str,
        path: str,
        *,
        query: dict[str, Any] | None = None,
        body: dict[str, Any] | None = None,
    ) -> Any:
        """The answer's JSON; a server that is busy or out of reach is asked again."""
        asked = {key: value for key, value in (query or {}).items() if value is not LEFT_OUT}
        address = f"{self.address}{path}"
        if asked:
            address += "?" + urllib.parse.urlencode(asked, doseq=True)
        headers = {"Accept": "application/json"}
        if self.token:
            headers["Authorization"] = f"Token {self.token}"
        data = None
        if body is not None:
            sent = {key: value for key, value in body.items() if value is not LEFT_OUT}
            data = json.dumps(sent).encode()
            headers |= {"Content-Type": "application/json", "Idempotency-Key": str(uuid.uuid4())}
        request = urllib.request.Request(address, data, headers, method=method)
        for left in reversed(range(TRIES)):
            try:
                with urllib.request.urlopen(request, timeout=self.seconds) as answer:
                    return json.load(answer)
            except urllib.error.HTTPError as error:
                if error.code != BUSY or not left:
                    raise Refused(error.code, json.load(error)) from error
            except urllib.error.URLError:
                if not left:
                    raise
            time.sleep(0.5)
        raise AssertionError("the last try answers or raises")
