"""A file encrypted under a passphrase, in the open format age, which other programs read too.

C2SP, "age" (c2sp.org/age, format age-encryption.org/v1): one scrypt stanza and a payload of 64 KiB
chunks. What was cut off, put together anew or changed does not decrypt.
"""

from __future__ import annotations

import base64
import hmac
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from config.refusals import RefusalError, refuse
from lots.keeping.files import write_file

MAGIC: Final = b"age-encryption.org/v1\n"
CHUNK_BYTES: Final = 64 * 1024
_TAG_BYTES: Final = 16
# 2**16 · 8 · 128 bytes are 64 MiB for a moment. A file may ask for four times that, not for all.
WORK_LOG2: Final = 16
_WORK_LOG2_MAX: Final = 18
_HEADER: Final = re.compile(
    rb"age-encryption\.org/v1\n-> scrypt ([A-Za-z0-9+/]{22}) ([1-9][0-9]?)\n"
    rb"([A-Za-z0-9+/]{43})\n--- ([A-Za-z0-9+/]{43})\n"
)
_HEADER_BYTES_MAX: Final = 200
_WRAP_NONCE: Final = bytes(12)


def is_encrypted(path: Path) -> bool:
    """Whether a file begins as an encrypted one does; False when it can't be read."""
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError:
        return False


def encrypted(source: Path, passphrase: str) -> Iterator[bytes]:
    """The bytes of an encrypted file that holds what `source` does."""
    file_key, salt, nonce = os.urandom(16), os.urandom(16), os.urandom(16)
    wrapped = _wrapping(passphrase, salt, WORK_LOG2).encrypt(_WRAP_NONCE, file_key, None)
    head = b"%s-> scrypt %s %d\n%s\n---" % (MAGIC, _text(salt), WORK_LOG2, _text(wrapped))
    yield head + b" " + _text(_mac(file_key, head)) + b"\n" + nonce
    payload = _payload(file_key, nonce)
    with source.open("rb") as file:
        for number, chunk in _chunks(file, CHUNK_BYTES):
            yield payload.encrypt(number, chunk, None)


def decrypt(source: Path, passphrase: str, target: Path) -> None:
    """Writes what an encrypted file holds to a new private file.

    Raises ForbiddenError `wrong_passphrase`, InvalidError `damaged`; then nothing is left there.
    """
    try:
        write_file(target, decrypted(source, passphrase))
    except BaseException:
        target.unlink(missing_ok=True)
        raise


def decrypted(source: Path, passphrase: str) -> Iterator[bytes]:
    """What an encrypted file holds, chunk by chunk; only once it ends is all of it proved.

    Raises as `decrypt`.
    """
    with source.open("rb") as file:
        found = _HEADER.match(file.read(_HEADER_BYTES_MAX))
        if found is None or int(found[2]) > _WORK_LOG2_MAX:
            raise _damaged("has a head that is not one of a passphrase")
        file.seek(found.end())
        payload = _payload(_file_key(found, passphrase), file.read(16))
        for number, chunk in _chunks(file, CHUNK_BYTES + _TAG_BYTES):
            try:
                plain = payload.decrypt(number, chunk, None)
            except InvalidTag as error:
                raise _damaged("is not as it was written, or is cut off") from error
            yield plain


def _file_key(found: re.Match[bytes], passphrase: str) -> bytes:
    wrapping = _wrapping(passphrase, _bytes(found[1]), int(found[2]))
    try:
        file_key = wrapping.decrypt(_WRAP_NONCE, _bytes(found[3]), None)
    except InvalidTag as error:
        raise refuse("wrong_passphrase", field="passphrase") from error
    head = found[0][: found[0].index(b"\n---") + 4]
    if not hmac.compare_digest(_mac(file_key, head), _bytes(found[4])):
        raise _damaged("has a head that was changed")
    return file_key


def _wrapping(passphrase: str, salt: bytes, work_log2: int) -> ChaCha20Poly1305:
    made = Scrypt(MAGIC[:-1] + b"/scrypt" + salt, length=32, n=2**work_log2, r=8, p=1)
    return ChaCha20Poly1305(made.derive(passphrase.encode()))


def _payload(file_key: bytes, nonce: bytes) -> ChaCha20Poly1305:
    return ChaCha20Poly1305(_derived(file_key, nonce, b"payload"))


def _mac(file_key: bytes, head: bytes) -> bytes:
    return hmac.digest(_derived(file_key, b"", b"header"), head, "sha256")


def _derived(key: bytes, salt: bytes, info: bytes) -> bytes:
    return HKDF(hashes.SHA256(), length=32, salt=salt, info=info).derive(key)


def _chunks(file: BinaryIO, size: int) -> Iterator[tuple[bytes, bytes]]:
    """The rest of a file in pieces, each with its nonce: its number, and whether it is the last."""
    number, held = 0, file.read(size)
    while following := file.read(size):
        yield number.to_bytes(11, "big") + b"\0", held
        number, held = number + 1, following
    yield number.to_bytes(11, "big") + b"\1", held


def _text(raw: bytes) -> bytes:
    return base64.b64encode(raw).rstrip(b"=")


def _bytes(text: bytes) -> bytes:
    return base64.b64decode(text + b"=" * (-len(text) % 4))


def _damaged(what: str) -> RefusalError:
    return refuse("damaged:encrypted", field="file", what=what)
