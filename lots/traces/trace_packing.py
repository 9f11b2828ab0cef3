"""Where a lot stands in the traces, as text to be kept, and back.

Compressed JSON in base 64: mixtures by metal and account, the origins' lots beside their
micrograms.
"""

from __future__ import annotations

import base64
import json
import zlib
from typing import Final

from lots.traces.trace import Kept, Mixture, Origin

# Mixtures of a few dozen origins: more effort makes them no smaller.
_EFFORT: Final = 6
# Millions of origins; what unpacks to more was not packed here.
_BYTES_MAX: Final = 64 * 1024 * 1024


class DamagedError(ValueError):
    """The text is not what was packed."""


def pack(kept: Kept) -> str:
    """Mixtures and what was brought in, in a few letters an origin."""
    mixtures = {metal: _columns(mixture) for metal, mixture in kept.contents.items()}
    text = json.dumps([mixtures, kept.brought], separators=(",", ":"))
    return base64.b64encode(zlib.compress(text.encode(), _EFFORT)).decode()


def unpack(packed: str) -> Kept:
    """What was packed. Raises DamagedError when that can't be read, or is out of its order."""
    try:
        mixtures, brought = json.loads(_unzipped(base64.b64decode(packed, validate=True)))
        contents = {metal: _mixture(columns) for metal, columns in mixtures.items()}
        return Kept(contents, {metal: int(ug) for metal, ug in brought.items()})
    except (zlib.error, ValueError, TypeError, AttributeError) as error:
        raise DamagedError(str(error)) from error


def _unzipped(content: bytes) -> bytes:
    unpacker = zlib.decompressobj()
    text = unpacker.decompress(content, _BYTES_MAX)
    if not unpacker.eof:
        raise ValueError("it is cut off, or unpacks without end")
    return text


def _columns(mixture: Mixture) -> dict[str, tuple[list[int], list[int]]]:
    columns: dict[str, tuple[list[int], list[int]]] = {}
    for (lot, account), mass_ug in mixture.items():
        lots, masses = columns.setdefault(account, ([], []))
        lots.append(lot)
        masses.append(mass_ug)
    return columns


def _mixture(columns: dict[str, tuple[list[int], list[int]]]) -> Mixture:
    mixture = {
        Origin(lot, account): mass_ug
        for account, (lots, masses) in columns.items()
        for lot, mass_ug in zip(lots, masses, strict=True)
    }
    if any(mass_ug <= 0 for mass_ug in mixture.values()):
        raise ValueError("an origin without metal")
    return mixture if len(columns) < 2 else dict(sorted(mixture.items()))
