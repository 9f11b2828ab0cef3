"""Adds a person with a role and prints the password for the first sign-in, this once."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.refusals import RefusalError
from lots.models import Person
from lots.people.people import add_person


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--role", required=True, choices=Person.Role.values)
        parser.add_argument("--party", default="", help="A customer's code, for the role customer.")
        parser.add_argument("--name", default="", help="As people call them.")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            person, password = add_person(
                username=options["username"],
                role=options["role"],
                party=options["party"],
                name=options["name"],
            )
        except RefusalError as refusal:
            raise CommandError(f"{refusal.code}: {refusal.message} {refusal.remedy}") from refusal
        if password:
            self.stdout.write(password)
            self.stderr.write(f"{person}: this password must be changed at the first sign-in")
        else:
            self.stderr.write(f"{person}: password as before")
