"""Encrypted files: read by and from another program, and refused when anything is wrong."""

from __future__ import annotations

import base64

import pytest

from config.refusals import RefusalError
from lots.keeping import encryption
from lots.keeping.encryption import CHUNK_BYTES, decrypt, encrypted, is_encrypted

PASSPHRASE = "melt-assay-part-cast 7 €"
# Made by pyrage 1.4.0, another implementation of the format, with this passphrase. It read files of
# this module, of 0 to 3,000,000 bytes, in its turn.
THEIRS = (
    "YWdlLWVuY3J5cHRpb24ub3JnL3YxCi0+IHNjcnlwdCAzRFBvRGpPK1JSeTRMSm1sNVVJeW5BIDE3CktUblpvMXNTclFS"
    "a1FvckdtQ3VJS2NLNjlaNVlidjkzY0lqMy9UMXg0cFkKLS0tIFhkTnNSZ3dOYmNUcTJjR29sTkdMekJTUVFXUEF5Wkxs"
    "YnhET3VMMnByMWsKdlaISS/7GhBWADfA8vI0KTzKNy/kBk3fepCRJf2N0gpwQw0UZj4gv+Z79nuRMGl1cdjuSml+fZp+"
    "oUI5ky9OAlDXZw=="
)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(encryption, "WORK_LOG2", 10)


@pytest.fixture
def written(tmp_path):
    """Writes bytes, and the encrypted file that holds them."""

    def write(content: bytes):
        (tmp_path / "plain").write_bytes(content)
        target = tmp_path / "made.age"
        target.write_bytes(b"".join(encrypted(tmp_path / "plain", PASSPHRASE)))
        return target

    return write


def test_a_file_of_another_program_is_read(tmp_path):
    (tmp_path / "theirs.age").write_bytes(base64.b64decode(THEIRS))
    decrypt(tmp_path / "theirs.age", PASSPHRASE, tmp_path / "plain")
    assert (tmp_path / "plain").read_bytes() == b"Tern Quay Refining, one silver bar\n"


@pytest.mark.parametrize("size", [0, 1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 200_000])
def test_what_went_in_comes_out(written, tmp_path, size):
    content = bytes(index % 251 for index in range(size))
    made = written(content)
    assert is_encrypted(made)
    assert content[:16] not in made.read_bytes() or size < 16
    decrypt(made, PASSPHRASE, tmp_path / "back")
    assert (tmp_path / "back").read_bytes() == content


def test_two_files_of_the_same_content_have_nothing_in_common(written):
    first = written(b"the same").read_bytes()
    assert first[-40:] != written(b"the same").read_bytes()[-40:]


def test_a_wrong_passphrase_is_refused_and_nothing_is_written(written, tmp_path):
    made = written(b"the books")
    with pytest.raises(RefusalError) as caught:
        decrypt(made, "another passphrase", tmp_path / "back")
    assert (caught.value.code, caught.value.field) == ("wrong_passphrase", "passphrase")
    assert not (tmp_path / "back").exists()


def spoilt(whole: bytes) -> dict[str, bytes]:
    last = len(whole) - 1
    head = whole.index(b"---")
    return {
        "cut off in a chunk": whole[:-1],
        "cut off between chunks": whole[: last + 1 - 16 - 10_000],
        "a byte of the payload": whole[:last] + bytes([whole[last] ^ 1]),
        "the head's own check": whole[: head + 5] + b"AAAA" + whole[head + 9 :],
        "bytes added": whole + b"more",
        "work for hours": whole.replace(b" 10\n", b" 30\n", 1),
        "no head": b"age-encryption.org/v1\nnothing",
    }


def test_what_was_changed_or_cut_off_is_refused_and_nothing_is_left(written, tmp_path):
    whole = written(bytes(CHUNK_BYTES) + bytes(10_000)).read_bytes()
    for what, content in spoilt(whole).items():
        (tmp_path / "bad.age").write_bytes(content)
        with pytest.raises(RefusalError) as caught:
            decrypt(tmp_path / "bad.age", PASSPHRASE, tmp_path / "back")
        assert caught.value.code == "damaged", what
        assert not (tmp_path / "back").exists(), what
