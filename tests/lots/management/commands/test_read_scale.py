"""A balance's lines become weighings of the lot that was named, once each and only when steady."""

from __future__ import annotations

import os
import threading
from types import SimpleNamespace

import pytest
from django.core.management import CommandError, call_command

from lots.codes import LotCode
from lots.measurements.scale_lines import PLAIN, Reading, compiled, read_line
from lots.models import Lot, Movement, Weighing
from tests.builders import receive

G = 1_000_000


@pytest.fixture
def lot(works, act) -> Lot:
    return receive(works, act(0))


@pytest.fixture
def read(works, tmp_path, capsys):
    def run(lines: str, *options: str) -> str:
        path = tmp_path / "lines.txt"
        path.write_bytes(lines.encode())
        arguments = ["--balance", "bench", "--as", "operator", *options]
        call_command("read_scale", str(path), *arguments)
        return capsys.readouterr().out

    return run


@pytest.mark.parametrize(
    ("line", "grams", "stable"),
    [
        ("+ 1302.4 g", 1302.4, True),
        ("   1302.4 g ?", 1302.4, False),
        ("*+1302.4g", 1302.4, False),
        ("- 0.5 g", -0.5, True),
        ("1 302.4 g", 1302.4, True),
        ("1.3024 kg", 1302.4, True),
        ("10 ozt", 311.034768, True),
        ("0.0 g", 0, True),
    ],
)
def test_a_plain_line_is_read(line, grams, stable):
    assert read_line(line, compiled(PLAIN)) == Reading(round(grams * G), stable, line.strip())


@pytest.mark.parametrize("line", ["", "1302.4", "ERROR 2", "g 12", "1.2.3 g", "12 oz", "9" * 300])
def test_a_line_that_is_no_reading_is_passed_over(line):
    assert read_line(line, compiled(PLAIN)) is None


def test_lines_without_a_unit_and_lines_of_another_form():
    assert read_line("12.5", compiled(PLAIN), unit="g") == Reading(12_500_000, True, "12.5")
    marked = compiled(r"(?P<stable>OK)?\W*(?P<sign>[+-])\W*(?P<number>[\d.]+)(?P<unit>\w+)")
    assert read_line("OK,+,12.5g", marked) == Reading(12_500_000, True, "OK,+,12.5g")
    assert read_line("  ,+,12.5g", marked) == Reading(12_500_000, False, ",+,12.5g")
    for pattern in ("(", r"\d+"):
        with pytest.raises(ValueError, match="pattern"):
            compiled(pattern)


def test_a_scanned_label_names_the_lot(lot):
    for text in (lot.code, lot.code.lower(), f"https://works.example/q/{lot.code}/"):
        code = read_line(text, compiled(PLAIN))
        assert isinstance(code, LotCode)
        assert str(code) == lot.code


def test_after_a_scan_the_first_steady_weight_is_kept(read, works, act, lot):
    other = receive(works, act(0.1))
    lines = (
        f"12.0 g\r\n{lot.code}\r\n  0.0 g\r\n 88.1 g ?\r\n 99.9 g\r\n 99.9 g\r\n-1 g\r\n"
        f"{other.code}\r\n 50.05 g\r\n"
    )
    told = read(lines, "--tare", "0.4 g")
    kept = Weighing.objects.filter(purpose="check").order_by("id")
    assert [(each.lot, each.gross_ug, each.net_ug) for each in kept] == [
        (lot, 99_900_000, 99_500_000),
        (other, 50_050_000, 49_650_000),
    ]
    assert kept[0].entered_as == "99.9 g"
    assert (kept[0].taken_by, kept[0].balance) == (works.operator, works.balance)
    assert f"lot {other.code}: waiting" in told
    assert Movement.objects.count() == 2
    read(lines, "--tare", "0.4 g")
    assert kept.count() == 2


def test_one_weight_of_a_lot_named_at_the_start(read, lot):
    told = read("12.5 g\n13.5 g\n", "--lot", lot.code.lower())
    assert Weighing.objects.filter(purpose="check").get().net_ug == 12_500_000
    assert told.startswith(f"lot {lot.code}: weighing")


def test_lines_may_be_piped_in(works, lot, monkeypatch):
    reading, writing = os.pipe()
    os.write(writing, f"{lot.code}\n5 g".encode())
    os.close(writing)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(fileno=lambda: reading))
    call_command("read_scale", "-", "--balance", "bench", "--as", "operator")
    os.close(reading)
    assert Weighing.objects.filter(purpose="check").get().net_ug == 5_000_000


def test_a_refused_line_leaves_the_others(read, lot):
    lines = f"GR26-0417-1\n{lot.code}\n7000 g\n{lot.code}\n70 g\n"
    with pytest.raises(CommandError, match="2 lines were refused"):
        read(lines)
    assert Weighing.objects.filter(purpose="check").get().net_ug == 70_000_000


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--balance", "none"], "no balance"),
        (["--as", "isolde"], "may not"),
        (["--lot", "GR26-0417-1"], "no lot"),
        (["--pattern", "("], "no pattern"),
        (["--device", "loop://"], "Name a file"),
    ],
)
def test_a_start_that_can_not_work_is_refused(read, lot, options, says):
    with pytest.raises(CommandError, match=says):
        read(f"{lot.code}\n1 g\n", *options)
    assert not Weighing.objects.filter(purpose="check").exists()


def test_over_a_real_serial_line(works, lot, capsys):
    """The other end of a terminal pair stands for the balance."""
    pytest.importorskip("serial")
    balance, line = os.openpty()
    ready = f"{lot.code}\r0.0 g\r41.87 ozt ?\r41.87 ozt\r".encode()
    sender = threading.Timer(0.2, os.write, [balance, ready])
    sender.start()
    try:
        arguments = ["--device", os.ttyname(line), "--balance", "bench", "--as", "operator"]
        # Named at the start as well, so that the command ends with the weight.
        call_command("read_scale", *arguments, "--lot", lot.code)
    finally:
        sender.join()
        os.close(balance)
        os.close(line)
    assert Weighing.objects.filter(purpose="check").get().net_ug == 1_302_302_574
