"""A photograph is made smaller in the browser before it is sent; what can't be taken is told."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from lots.models import Document, Lot
from tests.builders import receive

pytestmark = pytest.mark.browser


def photograph(width: int, height: int) -> bytes:
    """Noise, which packs as badly as a picture can."""
    pixels = np.random.default_rng(5).integers(0, 255, (height, width, 3), dtype=np.uint8)
    made = io.BytesIO()
    Image.fromarray(pixels).save(made, "JPEG", quality=90)
    return made.getvalue()


@pytest.fixture
def lot(site, works, act) -> Lot:
    return receive(works, act())


def test_a_large_photograph_is_sent_small(open_as, lot):
    taken = photograph(3600, 2400)
    page = open_as("operator", "phone")
    page.goto(f"/lots/{lot.code}/attach/")
    photo = {"name": "paper.jpeg", "mimeType": "image/jpeg", "buffer": taken}
    page.set_input_files("input[type=file]", photo)
    page.get_by_text("Made smaller:").wait_for()
    page.click("button.primary")
    page.wait_for_url(f"**/lots/{lot.code}/")
    document = Document.objects.get()
    assert document.name == "paper.jpg"
    assert document.size_bytes < len(taken) / 2
    with document.file.open() as file:
        assert Image.open(file).size == (2400, 1600)


def test_a_small_one_is_sent_as_it_is(open_as, lot):
    taken = photograph(60, 40)
    page = open_as("operator", "phone")
    page.goto(f"/lots/{lot.code}/attach/")
    page.set_input_files(
        "input[type=file]", {"name": "tag.jpg", "mimeType": "image/jpeg", "buffer": taken}
    )
    page.click("button.primary")
    page.wait_for_url(f"**/lots/{lot.code}/")
    assert Document.objects.get().size_bytes == len(taken)


def test_a_format_that_cannot_be_taken_says_which_can(open_as, lot):
    page = open_as("operator", "phone")
    page.goto(f"/lots/{lot.code}/attach/")
    page.set_input_files(
        "input[type=file]", {"name": "a.heic", "mimeType": "image/heic", "buffer": b"ftypheic"}
    )
    page.get_by_text("Save it as JPEG, PNG or WebP, or as a PDF.").wait_for()
    page.click("button.primary")
    assert page.url.endswith("/attach/")
    assert not Document.objects.exists()
