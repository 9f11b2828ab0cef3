"""Imports sheets while others post, and sends files that were damaged on the way."""

from __future__ import annotations

import io
import random
from dataclasses import dataclass
from typing import Any, Final

from openpyxl import Workbook

from tests.stress.client import Client, Content

ROWS: Final = 15
HEADINGS: Final = ("Party", "Owner", "Place", "Gross", "Balance", "Ag")


@dataclass
class Importer:
    """One person with `imports` sheets to record; every one is also sent damaged, as a trial."""

    client: Client
    imports: int
    seed: int
    name: str = "importer"
    done: int = 0

    def work(self) -> None:
        chance = random.Random(f"{self.seed} {self.name}")
        for number in range(self.imports):
            rows = [_row(chance) for _ in range(ROWS)]
            body = {"subject": "receipts", "rows": rows}
            self.client.post("imports/", body, f"import-{self.seed}-{number}")
            damaged = _damaged(_workbook(rows), chance)
            content = _form({"subject": "receipts", "dry_run": "true"}, damaged)
            self.client.post("imports/", content, f"damaged-{self.seed}-{number}")
            self.done += 1


def _row(chance: random.Random) -> dict[str, Any]:
    return {
        "party": "brackwater",
        "owner": chance.choice(["tern-quay", "brackwater"]),
        "place": "feed-shelf",
        "gross": f"{chance.randrange(50_000, 900_000) / 1000:.3f} g",
        "balance": "bench",
        "Ag": "925",
    }


def _workbook(rows: list[dict[str, Any]]) -> bytes:
    book = Workbook()
    sheet = book.worksheets[0]
    sheet.append(HEADINGS)
    for row in rows:
        sheet.append(list(row.values()))
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _damaged(content: bytes, chance: random.Random) -> bytes:
    """Some bytes changed, or the end cut off."""
    if chance.random() < 0.3:
        return content[: chance.randrange(len(content))]
    changed = bytearray(content)
    for _ in range(chance.randrange(1, 40)):
        changed[chance.randrange(len(changed))] = chance.randrange(256)
    return bytes(changed)


def _form(fields: dict[str, str], file: bytes) -> Content:
    """The fields and one file as a browser's form sends them."""
    edge = "a-line-that-no-workbook-holds"
    parts = [
        f'--{edge}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in fields.items()
    ]
    head = f'--{edge}\r\nContent-Disposition: form-data; name="file"; filename="feed.xlsx"\r\n\r\n'
    body = b"".join([*parts, head.encode(), file, f"\r\n--{edge}--\r\n".encode()])
    return Content(body, f"multipart/form-data; boundary={edge}")
