"""How many slips of the hand are asked about, and how many true figures are.

The invented works plays its three months again and again, each time with other true figures and
other readings. Every figure that an event holds against what is known is taken as it was typed,
and then with one slip in it. `python -m tests.studies.slips_study` writes docs/slips.md.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from lots.likelihood.figures import Held, HeldMoment, Question

SEEDS: Final = 4
PAGE: Final = Path(__file__).parents[2] / "docs" / "slips.md"
OPEN_MONTH: Final = dt.date(2026, 6, 1)
LOOKED_AT: Final = dt.datetime(2026, 6, 25, 12, tzinfo=dt.UTC)
# By how much a slip changes a figure, smaller over larger.
SIZES: Final = (
    (Decimal("0.99"), "under 1 %"),
    (Decimal("0.95"), "1 to 5 %"),
    (Decimal("0.8"), "5 to 20 %"),
    (Decimal("0.5"), "20 % to twice"),
    (Decimal("0.12"), "twice to eight times"),
    (Decimal(0), "more"),
)
KINDS: Final = ("decimal point", "unit", "a digit twice", "two digits swapped", "a digit missing")
WRONG_DAY: Final = "the day before"


@dataclass
class Told:
    """What was held against its range: every figure, with the service it was told to."""

    held: list[tuple[str, Held | HeldMoment]] = field(default_factory=list)

    def __call__(
        self, service: Callable[..., Any], arguments: dict[str, Any]
    ) -> Callable[[Any], None]:
        from lots.measurements.unlikely import likely_of  # noqa: PLC0415

        likely = likely_of(service)
        if likely is not None:
            self.held += [(service.__name__, each) for each in likely(**arguments)]
        return lambda recorded: None


@dataclass
class Tally:
    """Slips of one sort: how many, how many were asked about, and what was meant suggested."""

    made: int = 0
    caught: int = 0
    suggested: int = 0

    def add(self, question: Question | None, *, is_suggested: bool) -> None:
        self.made += 1
        self.caught += question is not None
        self.suggested += is_suggested


@dataclass
class Study:
    true: Counter[str] = field(default_factory=Counter)
    asked: Counter[str] = field(default_factory=Counter)
    slips: dict[tuple[str, str], Tally] = field(default_factory=dict)
    by_field: dict[str, Tally] = field(default_factory=dict)

    def take(self, told: Told) -> None:
        for service, held in told.held:
            name = f"{service}: {re.sub(r'[.][0-9]+', '', held.path)}"
            self.true[name] += 1
            if held.question() is not None:
                self.asked[name] += 1
                continue
            if isinstance(held, HeldMoment):
                self._moment(name, held)
            else:
                self._number(name, held)

    def _number(self, name: str, held: Held) -> None:
        for kind, typed in slips_of(held):
            size = size_of(held.value, typed)
            question = replace(held, value=typed).question()
            found = question is not None and is_suggested(held, question)
            for tally in (
                self.slips.setdefault((kind, size), Tally()),
                self.by_field.setdefault(name, Tally()),
            ):
                tally.add(question, is_suggested=found)

    def _moment(self, name: str, held: HeldMoment) -> None:
        question = replace(held, value=held.value - dt.timedelta(days=1)).question()
        meant = f"{held.value.astimezone(held.zone):%Y-%m-%dT%H:%M}"
        found = question is not None and any(each.text == meant for each in question.suggestions)
        for tally in (
            self.slips.setdefault((WRONG_DAY, "a day"), Tally()),
            self.by_field.setdefault(name, Tally()),
        ):
            tally.add(question, is_suggested=found)

    def of(self, kind: str, *sizes: str) -> Tally:
        """All slips of a kind and of any of these sizes (none named: all)."""
        chosen = [
            tally
            for (each, size), tally in self.slips.items()
            if each == kind and (not sizes or size in sizes)
        ]
        return Tally(*(sum(getattr(each, name) for each in chosen) for name in vars(Tally())))


def observe(seed: int | None = None) -> Told:
    """Plays the invented works into the database there is, with its own seed or another."""
    from lots import clock  # noqa: PLC0415
    from lots.ledger.recording import Act  # noqa: PLC0415
    from reports.demo import bench, play  # noqa: PLC0415

    told, facts = Told(), play.scenario()
    own_act, own_facts = bench.Act, play.scenario
    bench.Act = lambda **given: Act(**given, doubter=told)  # type: ignore[assignment, misc]
    play.scenario = lambda: facts if seed is None else facts | {"seed": seed}  # type: ignore[attr-defined]
    try:
        with clock.at(LOOKED_AT):
            play.play(OPEN_MONTH, "a pass phrase", lambda text: None)
    finally:
        bench.Act, play.scenario = own_act, own_facts  # type: ignore[attr-defined, misc]
    return told


def slips_of(held: Held) -> Iterator[tuple[str, Decimal]]:
    """The figure with one slip in it, in every way there is."""
    typed = Decimal(f"{held.value:f}".rstrip("0").rstrip(".") if held.value % 1 else held.value)
    if not typed:
        return
    for power in (1, -1):
        yield "decimal point", typed.scaleb(power)
    if held.unit == "‰":
        yield "unit", typed / 10
        yield "unit", typed / 1000
    for _, size in held.others:
        yield "unit", typed / size
    sign, digits, exponent = typed.as_tuple()
    for at, digit in enumerate(digits):
        before, after = digits[:at], digits[at + 1 :]
        changed = {
            "a digit twice": (*before, digit, digit, *after),
            "a digit missing": before + after,
            "two digits swapped": (*before, *after[:1], digit, *after[1:]),
        }
        for kind, made in changed.items():
            wrong = Decimal((sign, made or (0,), exponent))
            if wrong != typed and wrong:
                yield kind, wrong


def size_of(true: Decimal, typed: Decimal) -> str:
    share = min(true, typed) / max(true, typed)
    return next(words for least, words in SIZES if share >= least)


def is_suggested(held: Held, question: Question) -> bool:
    sizes = {held.unit: Decimal(1), **dict(held.others)}
    for each in question.suggestions:
        number, _, unit = each.text.partition(" ")
        meant = Decimal(number) * sizes[unit or held.unit]
        if abs(meant - held.value) <= abs(held.value) / 10**9:
            return True
    return False


def page(study: Study, seeds: int) -> str:
    true, asked = sum(study.true.values()), sum(study.asked.values())
    lines = [
        "# Slips of the hand, and how many are asked about",
        "",
        "Written by `python -m tests.studies.slips_study`: the invented works plays its months "
        f"{seeds} times with other true figures; each figure that is held against what is known "
        "is typed wrong in every way below.",
        "",
        f"Of {true} true figures {asked} were asked about ({_percent(asked, true)}).",
        "",
        "| slip | by how much | made | asked about | what was meant is suggested |",
        "|---|---|---|---|---|",
    ]
    for kind in KINDS:
        for _, size in reversed(SIZES):
            if tally := study.slips.get((kind, size)):
                lines.append(f"| {kind} | {size} | {_cells(tally)} |")
        lines.append(f"| {kind} | any | {_cells(study.of(kind))} |")
    lines += [
        f"| {WRONG_DAY} | a day | {_cells(study.of(WRONG_DAY))} |",
        "",
        "A slip that leaves a figure near the true one is not told from a true one: that is what"
        " weighing again and the month's reconciliation are for. The day before is told only where"
        " something of the lot or the run happened since.",
        "",
        "## By step and field",
        "",
        "| figure | true | asked about | slips | asked about | suggested |",
        "|---|---|---|---|---|---|",
    ]
    for name in sorted(study.true):
        tally = study.by_field.get(name, Tally())
        lines.append(f"| {name} | {study.true[name]} | {study.asked[name]} | {_cells(tally)} |")
    return "\n".join(lines) + "\n"


def _cells(tally: Tally) -> str:
    caught = _percent(tally.caught, tally.made)
    return f"{tally.made} | {caught} | {_percent(tally.suggested, tally.caught)}"


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "–"


def main() -> None:
    study = Study()
    for seed in range(1, SEEDS + 1):
        with tempfile.TemporaryDirectory() as folder:
            _empty_database(Path(folder))
            study.take(observe(seed))
        sys.stderr.write(f"seed {seed}: {sum(study.true.values())} figures\n")
    PAGE.write_text(page(study, SEEDS), "utf-8")


def _empty_database(folder: Path) -> None:
    import django  # noqa: PLC0415
    from django.conf import settings  # noqa: PLC0415
    from django.core.management import call_command  # noqa: PLC0415
    from django.db import connection  # noqa: PLC0415

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ["DATABASE_URL"] = f"sqlite:///{folder / 'first.sqlite3'}"
    django.setup()
    settings.MEDIA_ROOT = folder / "media"
    connection.close()
    connection.settings_dict["NAME"] = str(folder / "slips.sqlite3")
    call_command("migrate", verbosity=0)


if __name__ == "__main__":
    main()
