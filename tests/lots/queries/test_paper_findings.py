"""`check_ledger` names each attached paper whose file is gone or is another. Invented bytes."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.core.files.base import ContentFile
from django.core.management import CommandError, call_command

from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import Document
from lots.queries.paper_findings import papers_changed
from lots.services.documents import attach_document
from tests.builders import receive

# Longer than one chunk of reading, so that its end counts too.
PDF = b"%PDF-1.7\n" + b"% a certificate, invented\n" * 4000 + b"%%EOF\n"


@pytest.fixture
def papers(
    works: SimpleNamespace, act: Callable[..., Act], settings: SimpleNamespace, tmp_path: Path
) -> list[Document]:
    """One file on two lots, another on a party."""
    settings.MEDIA_ROOT = tmp_path
    lots = [receive(works, act(0, "first")), receive(works, act(0, "second"))]
    shared = [
        attach_document(lot=lot, file=ContentFile(PDF, name="note.pdf"), act=act(1)) for lot in lots
    ]
    deed = ContentFile(PDF + b"% deed\n", name="deed.pdf")
    return [*shared, attach_document(party=works.pellow, file=deed, act=act(2))]


def file_of(paper: Document) -> Path:
    return Path(paper.file.path)


def test_papers_left_alone_pass(papers: list[Document]) -> None:
    assert list(papers_changed()) == []


def test_a_file_with_one_byte_changed_is_named_for_each_paper_that_is_it(
    papers: list[Document],
) -> None:
    file_of(papers[0]).write_bytes(PDF[:-1] + b"!")
    found = list(papers_changed())
    assert {row["document_id"] for row in found} == {papers[0].pk, papers[1].pk}
    assert all(f"{len(PDF)} bytes, SHA-256 " in str(row["found"]) for row in found)
    out = StringIO()
    with pytest.raises(CommandError, match="papers"):
        call_command("check_ledger", stdout=out)
    assert str(papers[0].file.name) in out.getvalue()


def test_a_file_that_is_gone_is_named(papers: list[Document]) -> None:
    file_of(papers[2]).unlink()
    (row,) = papers_changed()
    assert (row["name"], row["about"], row["found"]) == ("deed.pdf", "Pellow & Dane", "missing")


def test_of_the_database_alone_papers_are_not_asked_for(papers: list[Document]) -> None:
    file_of(papers[2]).unlink()
    assert not [each.check.name for each in run_checks(with_files=False) if each.found]


def test_a_file_emptied_is_named(papers: list[Document]) -> None:
    file_of(papers[2]).write_bytes(b"")
    assert [row["found"] for row in papers_changed()] == ["empty"]
