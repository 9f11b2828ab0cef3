"""Adds a person with a role and prints the password for the first sign-in, this once."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.refusals import RefusalError, refuse
from lots.ledger.recording import Act
from lots.models import Party, Person
from lots.people.people import add_person
from lots.people.person_record import ON_THE_MACHINE
from lots.people.ways_in import Way


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--role", required=True, choices=Person.Role.values)
        parser.add_argument("--party", default="", help="A customer's code, for the role customer.")
        parser.add_argument("--name", default="", help="As people call them.")
        parser.add_argument("--email", default="")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            person: Any = add_person(
                username=options["username"],
                role=options["role"],
                party=_customer(options["party"]),
                name=options["name"],
                email=options["email"],
                way_in=Way.PASSWORD,
                act=Act(who=ON_THE_MACHINE),
            )
        except RefusalError as refusal:
            raise CommandError(f"{refusal.code}: {refusal.message} {refusal.remedy}") from refusal
        if getattr(person, "password", ""):
            self.stdout.write(person.password)
            self.stderr.write(f"{person}: this password must be changed at the first sign-in")
        else:
            self.stderr.write(f"{person}: password as before")


def _customer(code: str) -> Party | None:
    party = Party.objects.filter(code=code).first()
    if code and party is None:
        raise refuse("unknown_name:people", field="party", value=code)
    return party
