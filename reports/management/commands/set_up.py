"""Sets the works up with its first person; what no flag says is asked where somebody can answer."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, BooleanOptionalAction
from collections.abc import Callable, Sequence
from getpass import getpass
from pathlib import Path
from typing import Any, Final

from django.conf import settings
from django.core.management.base import CommandError
from django.db import transaction

from cells.models import Cell
from cells.services.cell_reference import CellDetails, create_cell
from cells.services.open_recipe import Recipe, open_recipe
from cells.services.open_stock import Stock, open_stock
from config.commands import LedgerCommand
from config.refusals import RefusalError
from lots.declaration.event import Question, build, questions_of
from lots.ledger.recording import Act
from lots.models import Party
from lots.queries.set_up import is_set_up, set_up_code
from lots.services.reference import BalanceDetails, PartyDetails, create_balance, create_party
from lots.services.set_up import Beginning, set_up_works
from lots.services.usual_places import USUAL, add_usual_places
from lots.services.works import WorksDetails
from lots.units import parse_decimal, parse_mass
from lots.volumes import parse_volume

_ASKED: Final = tuple(each for kind in (WorksDetails, Beginning) for each in questions_of(kind))


def _flag(question: Question) -> str:
    return f"--{question.name.replace('_', '-')}"


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--code",
            action="store_true",
            help="Only tell the code that the page asks for on another machine.",
        )
        for each in _ASKED:
            if each.type is bool:
                parser.add_argument(_flag(each), action=BooleanOptionalAction, help=each.label)
            else:
                parser.add_argument(_flag(each), choices=_choices(each), help=each.label)
        parser.add_argument("--usual-places", action="store_true", help="Add the usual places.")
        for name, (form, _) in _MORE.items():
            parser.add_argument(f"--{name}", action="append", default=[], metavar=form)
        parser.add_argument(
            "--password-file",
            type=Path,
            help="A file that holds the password. Without, it is asked; where nobody answers, one "
            "is made and printed.",
        )
        parser.add_argument("--no-input", action="store_true", help="Ask nothing.")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["code"]:
            self._tell_code()
            return
        may_ask = sys.stdin.isatty() and not options["no_input"]
        said = {each.name: self._answer(each, options[each.name], may_ask) for each in _ASKED}
        made = [build(kind, questions_of(kind), said) for kind in (WorksDetails, Beginning)]
        try:
            with transaction.atomic():
                begun = set_up_works(
                    details=made[0],
                    beginning=made[1],
                    password=_password(options["password_file"], may_ask),
                )
                _add(Act(who=begun.user), options)
        except RefusalError as refusal:
            field = f" ({refusal.field})" if refusal.field else ""
            raise CommandError(
                f"{refusal.code}{field}: {refusal.message} {refusal.remedy}"
            ) from refusal
        if begun.password:
            self.stdout.write(begun.password)
            self.stderr.write("This password must be changed at the first sign-in.")
        self.stderr.write(f"The works is set up. {begun.user.get_username()} is its manager.")

    def _tell_code(self) -> None:
        if is_set_up():
            raise CommandError("The works is set up already: no code is asked any more.")
        self.stdout.write(set_up_code())

    def _answer(self, question: Question, flag: Any, may_ask: bool) -> Any:
        """What a flag says, or whoever sits there; None leaves it as it is by itself."""
        proposed = settings.WORKS_TIME_ZONE if question.name == "time_zone" else question.default
        if flag is not None or not may_ask:
            if flag is None and question.needed and not proposed:
                raise CommandError(f"Say {_flag(question)}: {question.label}.")
            return proposed if flag is None else flag
        if question.type is bool:
            return input(f"{question.label}? [y/N] ").strip().lower().startswith("y")
        choices = f" ({', '.join(_choices(question) or ())})" if _choices(question) else ""
        begins = f" [{proposed}]" if proposed else ""
        typed = input(f"{question.label}{choices}{begins}: ").strip()
        if not typed and question.needed and not proposed:
            return self._answer(question, flag, may_ask)
        return typed or proposed


def _add(act: Act, options: dict[str, Any]) -> None:
    """What the flags name besides: places, customers, scales, cells, electrolytes, stock."""
    if options["usual_places"]:
        add_usual_places(names=[name for name, _ in USUAL], act=act)
    for name, (form, add) in _MORE.items():
        for said in options[name]:
            head, _, rest = said.rpartition("=")
            parts = [head.strip(), *(part.strip() for part in rest.split(","))]
            if "=" not in form:
                parts = [said]
            elif not head or len(parts) != form.count(",") + 2:
                raise CommandError(f'--{name} is written as "{form}".')
            add(parts, act)


def _customer(parts: list[str], act: Act) -> None:
    create_party(details=PartyDetails(parts[0], Party.Kind.CUSTOMER), act=act)


def _scale(parts: list[str], act: Act) -> None:
    digit = parse_mass(parts[1], field="scale").mass_ug
    create_balance(details=BalanceDetails(parts[0], digit), act=act)


def _cell(parts: list[str], act: Act) -> None:
    name, bath, most, fuse = parts
    limit, rating = (parse_decimal(each.rstrip("A "), field="cell") for each in (most, fuse))
    create_cell(details=CellDetails(name, parse_volume(bath, field="cell"), limit, rating), act=act)


def _electrolyte(parts: list[str], act: Act) -> None:
    silver, volume = parse_mass(parts[1], field="electrolyte"), parse_volume(parts[2])
    cells = list(Cell.objects.filter(name=parts[0]))
    recipe = Recipe(silver.mass_ug, volume, cell=cells[0] if cells else None)
    open_recipe(recipe=recipe, act=act)


def _stock(parts: list[str], act: Act) -> None:
    mass = parse_mass(parts[1], field="stock")
    open_stock(stock=Stock(parts[0].replace(" ", "_"), mass.mass_ug), act=act)


# What is given as often as there is one, how it is written, and how it is added, in this order.
_MORE: Final[dict[str, tuple[str, Callable[[list[str], Act], None]]]] = {
    "customer": ("NAME", _customer),
    "scale": ("NAME=LAST DIGIT", _scale),
    "cell": ("NAME=VOLUME,MOST CURRENT,FUSE", _cell),
    "electrolyte": ("CELL=SILVER,VOLUME", _electrolyte),
    "stock": ("WORD=MASS", _stock),
}


def _choices(question: Question) -> Sequence[str] | None:
    if question.asks.choices is None:
        return None
    return [value for value, _ in getattr(question.asks.choices, "choices", question.asks.choices)]


def _password(file: Path | None, may_ask: bool) -> str:
    if file is not None:
        return file.read_text().rstrip("\r\n")
    return getpass("Password, twelve characters or more: ") if may_ask else ""
