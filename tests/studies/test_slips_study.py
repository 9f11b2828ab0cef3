"""Slips are asked about, and true figures are not: the study of slips in small."""

from __future__ import annotations

import pytest

from tests.studies.slips_study import KINDS, WRONG_DAY, Study, observe

TWICE_OR_MORE = ("twice to eight times", "more")


@pytest.mark.django_db
def test_no_true_figure_of_the_demo_is_asked_about_and_large_slips_are(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    study = Study()
    study.take(observe())
    assert sum(study.true.values()) > 700
    assert not +study.asked
    for kind in KINDS:
        large = study.of(kind, *TWICE_OR_MORE)
        assert large.made > 50, kind
        assert large.caught >= 0.65 * large.made, kind
        assert large.suggested >= 0.55 * large.caught, kind
    points = study.of("decimal point")
    assert points.caught >= 0.8 * points.made
    assert points.suggested == points.caught
    assert study.of(WRONG_DAY).made > 5
