"""The safety texts: every step has some, the dangerous steps name their danger, all defer."""

import pytest

from config.refusals import UnknownError
from lots.cautions import CAUTIONS, DEFERRAL, STEPS, cautions_for

STEPS_THAT_MUST_HAVE_TEXT = [
    "receive",
    "melt",
    "sample",
    "assay",
    "parting",
    "dissolution",
    "charge",
    "run",
    "top_up",
    "make_up",
    "stop",
    "harvest",
    "rinse",
    "dry",
    "slimes",
    "bleed",
    "cementation",
    "recovery",
    "fine_melt",
    "ship",
    "waste",
]


@pytest.mark.parametrize("step", STEPS_THAT_MUST_HAVE_TEXT)
def test_step_has_cautions_and_ends_with_the_deferral(step):
    block = cautions_for(step)
    assert block.step == step
    assert block.cautions
    assert block.lines[-1] == DEFERRAL
    assert len(block.lines) == len(block.cautions) + 1


def test_deferral_names_data_sheet_local_codes_and_licence():
    for phrase in ("safety data sheet", "local codes", "licence"):
        assert phrase in DEFERRAL


@pytest.mark.parametrize(
    ("step", "code"),
    [
        ("make_up", "nitric_acid"),
        ("make_up", "oxides_of_nitrogen"),
        ("make_up", "silver_nitrate"),
        ("run", "electrical"),
        ("harvest", "chlorides"),
        ("rinse", "ammonia_on_silver"),
        ("bleed", "ammonia_on_silver"),
        ("dry", "hot_vessels"),
        ("cementation", "copper_cementation"),
        ("recovery", "noble_recovery"),
        ("waste", "waste"),
    ],
)
def test_dangerous_step_names_its_danger(step, code):
    assert CAUTIONS[code] in cautions_for(step).cautions


def test_every_step_with_silver_solution_warns_of_ammonia():
    for step, block in STEPS.items():
        codes = {caution.code for caution in block.cautions}
        if "silver_nitrate" in codes:
            assert "ammonia_on_silver" in codes, step


def test_every_caution_is_short_and_shown_somewhere():
    shown = {caution.code for block in STEPS.values() for caution in block.cautions}
    assert shown == set(CAUTIONS)
    assert all(len(caution.text) <= 300 for caution in CAUTIONS.values())


def test_unknown_step_is_refused():
    with pytest.raises(UnknownError) as refusal:
        cautions_for("transmute")
    assert (refusal.value.code, refusal.value.field) == ("unknown_step", "step")
