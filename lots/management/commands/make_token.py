"""Makes a program's key for a user and prints it, this once."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.contrib.auth import get_user_model
from django.core.management.base import CommandError

from config.commands import LedgerCommand
from config.refusals import RefusalError
from lots.models import ApiToken
from lots.people.tokens import make_token


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--name", default="made by command")
        parser.add_argument("--scopes", nargs="+", default=["read"], choices=ApiToken.Scope.values)
        parser.add_argument("--days", type=int, default=90)

    def handle(self, *args: Any, **options: Any) -> None:
        user = get_user_model().objects.filter(username=options["username"]).first()
        if user is None:
            raise CommandError("There is no user of this name.")
        try:
            token, key = make_token(
                user=user,
                name=options["name"],
                scopes=options["scopes"],
                days=options["days"],
                created_by=user,
            )
        except RefusalError as refusal:
            raise CommandError(f"{refusal.code}: {refusal.message} {refusal.remedy}") from refusal
        self.stdout.write(key)
        self.stderr.write(
            f"for {token.user}, to {', '.join(token.scopes)}, until {token.expires_at:%Y-%m-%d}"
        )
