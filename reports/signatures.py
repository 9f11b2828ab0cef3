"""Ed25519 signatures (RFC 8032) over the text of a month's statement."""

from __future__ import annotations

import hashlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey


def public_key_of(private_key: bytes) -> str:
    """The public key (hex, 32 bytes) that belongs to a private one (32 bytes)."""
    return Ed25519PrivateKey.from_private_bytes(private_key).public_key().public_bytes_raw().hex()


def fingerprint_of(public_key: str) -> str:
    """The first 16 bytes of the public key's SHA-256, in groups that can be read out aloud."""
    digest = hashlib.sha256(bytes.fromhex(public_key)).hexdigest()[:32]
    return " ".join(digest[start : start + 4] for start in range(0, len(digest), 4))


def sign(private_key: bytes, text: str) -> str:
    """The signature (hex, 64 bytes) over the text's UTF-8."""
    return Ed25519PrivateKey.from_private_bytes(private_key).sign(text.encode()).hex()


def holds(public_key: str, text: str, signature: str) -> bool:
    """Whether the signature was made over exactly this text by the key's holder."""
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
        key.verify(bytes.fromhex(signature), text.encode())
    except (InvalidSignature, ValueError):
        return False
    return True
