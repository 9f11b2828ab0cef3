"""`manage.py set_up` begins a works where there is no browser on the machine."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from cells.models import Cell, ElectrolyteBatch
from lots.ledger.holdings import holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import Balance, Lot, Person, Place
from lots.queries.set_up import set_up_code, tell_code
from lots.queries.works import works_settings
from reports.management.commands import set_up as command
from tests.reports.test_good_sheets import bring_in

FLAGS = ["--name", "Gull Street Silver", "--person", "Zoë Holm", "--time-zone", "Europe/Amsterdam"]


@pytest.fixture(autouse=True)
def nobody(db, known_set_up, known_zone) -> None:
    known_set_up.clear()
    known_zone.clear()


def test_flags_set_it_up_and_a_password_is_made(capsys):
    call_command("set_up", *FLAGS, "--one-person", "--decimal-sign", ",", "--mass-unit", "ozt")
    said = capsys.readouterr()
    assert "zoe is its manager" in said.err
    assert (works_settings().one_person, works_settings().decimal_sign) == (True, ",")
    sent = {"username": "zoe", "password": said.out.strip()}
    assert Client().post("/sign-in/", sent).status_code == 302
    assert Person.objects.get().must_change_password is True


def test_a_password_comes_from_a_file(capsys, tmp_path):
    kept = tmp_path / "password"
    kept.write_text("crystal grows at night\n")
    call_command("set_up", *FLAGS, "--password-file", kept)
    assert capsys.readouterr().out == ""
    assert Person.objects.get().user.check_password("crystal grows at night")
    assert Person.objects.get().must_change_password is False


def test_what_no_flag_says_is_asked(monkeypatch, settings):
    settings.WORKS_TIME_ZONE = settings.TIME_ZONE = "Asia/Tokyo"
    answers = {"Name of the works": "Gull Street Silver", "Your name": "Ada", "I work alone": "y"}
    asked = []

    def answer(question: str) -> str:
        asked.append(question)
        return next((said for begins, said in answers.items() if question.startswith(begins)), "")

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr(command, "getpass", lambda question: "crystal grows at night")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    call_command("set_up", "--currency", "JPY")
    said = works_settings()
    assert (said.name, said.currency, said.one_person) == ("Gull Street Silver", "JPY", True)
    assert any("[Asia/Tokyo]" in question for question in asked)
    assert not any(question.startswith("Currency") for question in asked)


MORE = [
    "--usual-places",
    *("--scale", "Kitchen scale=0.1 g", "--scale", "Fine scale=1 mg"),
    *("--cell", "Jug=3 L, 9 A, 10 A", "--electrolyte", "Jug=480 g, 3 L"),
    *("--stock", "granules=1.2 kg", "--stock", "slimes bag=350 g"),
]


def test_flags_bring_it_to_a_cell_that_waits_for_its_charge():
    call_command("set_up", *FLAGS, "--no-input", *MORE)
    assert Balance.objects.count() == 2
    assert Place.objects.count() == 10
    cell = Cell.objects.get()
    assert (cell.bath_volume_ul, cell.current_limit_a, cell.fuse_rating_a) == (3_000_000, 9, 10)
    bath = ElectrolyteBatch.objects.get()
    assert (bath.cell, holding(bath.lot).metals) == (cell, {"Ag": 480_000_000})
    stock = Lot.objects.exclude(form="electrolyte").order_by("id")
    assert [holding(lot).mass_ug for lot in stock] == [1_200_000_000, 350_000_000]
    assert [each.rows for each in run_checks() if each.found] == []


def test_good_sheets_go_onto_a_works_just_set_up():
    customers = ["--customer", "Isolde Brackwater", "--customer", "Pellow & Dane"]
    call_command(
        "set_up", *FLAGS, "--no-input", "--usual-places", "--scale", "Bench=0.1 g", *customers
    )
    bring_in(Act(who=Person.objects.get().user))


@pytest.mark.parametrize(
    ("flag", "said", "says"),
    [
        ("--scale", "Kitchen scale", "is written as"),
        ("--scale", "Kitchen scale=much", "scale"),
        ("--cell", "Jug=3 L", "is written as"),
        ("--cell", "Jug=3 L, nine, 10 A", "not_a_number"),
        ("--electrolyte", "Jug=480 g, 3", "unknown_unit"),
        ("--stock", "wool=1 kg", "form_not_opened"),
    ],
)
def test_a_flag_that_cannot_be_is_named_and_nothing_is_set_up(flag, said, says):
    with pytest.raises(CommandError, match=says):
        call_command("set_up", *FLAGS, "--no-input", flag, said)
    assert not Person.objects.exists()


def test_what_is_wrong_or_missing_is_said():
    with pytest.raises(CommandError, match="Say --name"):
        call_command("set_up", "--no-input")
    with pytest.raises(CommandError, match=r"unknown_zone \(time_zone\)"):
        call_command("set_up", *FLAGS[:4], "--time-zone", "Moon/Sea", "--no-input")
    assert not Person.objects.exists()


def test_the_code_is_told_until_somebody_can_sign_in(capsys, caplog):
    call_command("set_up", "--code")
    assert capsys.readouterr().out.strip() == set_up_code()
    tell_code()
    assert set_up_code() in caplog.text
    caplog.clear()
    call_command("set_up", *FLAGS, "--no-input")
    tell_code()
    assert caplog.text == ""
    with pytest.raises(CommandError, match="no code is asked"):
        call_command("set_up", "--code")
