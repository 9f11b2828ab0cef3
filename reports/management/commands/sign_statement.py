"""Signs a month that was closed before the works had its key: sign_statement 2026-10 marit"""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.contrib.auth import get_user_model
from django.core.management.base import CommandError

from config.commands import LedgerCommand
from lots.keeping.saying import said_plainly
from lots.ledger.recording import Act
from reports.models import MonthEnd
from reports.queries.month.periods import parse_month
from reports.services.sign_statement import sign_statement
from reports.signatures import fingerprint_of


class Command(LedgerCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("month", help="year and month, as in 2026-10")
        parser.add_argument("user", help="who signs, by the name they sign in with")

    def handle(self, *args: Any, **options: Any) -> None:
        with said_plainly():
            period = parse_month(options["month"])
            who = get_user_model().objects.filter(username=options["user"]).first()
            month_end = MonthEnd.objects.filter(books_month__first_day=period.first_day).first()
            if who is None or month_end is None:
                raise CommandError("There is no such user, or no such month on the books.")
            signed = sign_statement(month_end=month_end, act=Act(who=who))
        self.stdout.write(f"Signed {period} with key {fingerprint_of(signed.public_key)}")
