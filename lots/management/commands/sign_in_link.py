"""Prints a link that lets somebody in once, such as a lone manager who forgot the password."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any, Final

from django.core.management.base import CommandError
from django.urls import reverse

from config.commands import LedgerCommand
from config.refusals import RefusalError, refuse
from lots.ledger.recording import Act
from lots.models import Person
from lots.people.person_record import ON_THE_MACHINE
from lots.people.ways_in import LINK_LASTS, make_sign_in_link

_SITE: Final = "http://127.0.0.1:8000"


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--site", default=_SITE, help=f"Where this ledger is served: {_SITE}.")
        parser.add_argument("--note", default="", help="Why, for the record.")

    def handle(self, *args: Any, **options: Any) -> None:
        found = Person.objects.filter(user__username=options["username"]).first()
        try:
            if found is None:
                raise refuse("unknown_person", field="username", value=options["username"])
            act = Act(who=ON_THE_MACHINE, note=options["note"])
            person: Any = make_sign_in_link(person=found, act=act)
        except RefusalError as refusal:
            raise CommandError(f"{refusal.code}: {refusal.message} {refusal.remedy}") from refusal
        self.stdout.write(f"{options['site'].rstrip('/')}{reverse('sign-in-once')}#{person.link}")
        hours = LINK_LASTS.days * 24
        self.stderr.write(f"{person}: opens once, within {hours} hours; it is on their record")
