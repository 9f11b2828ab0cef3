"""What must be true of the database afterwards, whatever happened to the server meanwhile."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable

from tests.stress.client import Tally
from tests.stress.writer import EXPECTED


def problems_after(tallies: Iterable[Tally]) -> list[str]:
    """Everything that is wrong, in words; empty when nothing was lost and nothing came twice."""
    from lots.ledger.ledger_checks import run_checks  # noqa: PLC0415
    from lots.models import RecordedRequest  # noqa: PLC0415 - Django is set up by the driver

    tallies = list(tallies)
    kept = dict(RecordedRequest.objects.values_list("key", "answer"))
    problems = [
        f"check_ledger: {each.check.states} {each.found} found: {each.rows[:2]}"
        for each in run_checks()
        if each.found
    ]
    acknowledged = {key for tally in tallies for key in tally.acknowledged}
    for tally in tallies:
        problems += [f"no answer in the end to {key}" for key in tally.unanswered]
        problems += [f"broken: {each}" for each in tally.broken]
        problems += [f"answered differently when repeated: {key}" for key in tally.differing]
        for key, answer in tally.acknowledged.items():
            if key.startswith("damaged-"):
                continue  # a trial that was still legible; trials are not recorded
            if key not in kept:
                problems.append(f"acknowledged and lost: {key}")
            elif kept[key] != answer:
                problems.append(f"recorded otherwise than acknowledged: {key}")
        for key, code in tally.refused.items():
            if not key.startswith(("month-", "damaged-")) and code not in EXPECTED:
                problems.append(f"refused for a reason not expected: {key} {code}")
            if key in kept and key not in acknowledged:
                problems.append(f"refused and yet recorded: {key}")
    return problems + _gaps() + _half_imports() + _after_the_close()


def _gaps() -> list[str]:
    """Sequence numbers of movements, and of lots by the letters and year of their code."""
    from lots.models import Lot, Movement  # noqa: PLC0415

    numbers: dict[str, list[int]] = defaultdict(list)
    numbers["movement"] = list(Movement.objects.values_list("sequence", flat=True))
    for code in Lot.objects.values_list("code", flat=True):
        found = re.fullmatch(r"([A-Z]+\d\d)-(\d+)-.", code)
        assert found, code
        numbers[found[1]].append(int(found[2]))
    return [
        f"numbers of {name} are not 1 to {len(each)}"
        for name, each in numbers.items()
        if sorted(each) != list(range(1, len(each) + 1))
    ]


def _half_imports() -> list[str]:
    from django.db.models import Count  # noqa: PLC0415

    from lots.models import SheetImport  # noqa: PLC0415

    imports = SheetImport.objects.annotate(found=Count("rows__movement", distinct=True))
    return [
        f"import {each.code} has {each.found} of {each.row_count} movements"
        for each in imports
        if each.found != each.row_count
    ]


def _after_the_close() -> list[str]:
    from lots.models import Movement  # noqa: PLC0415
    from reports.models import MonthEnd  # noqa: PLC0415
    from reports.queries.month.periods import month_period  # noqa: PLC0415

    late: list[int] = []
    for end in MonthEnd.objects.filter(closed_at__isnull=False).select_related("books_month"):
        until = month_period(end.books_month.first_day).ends_at
        late += Movement.objects.filter(
            occurred_at__lt=until, recorded_at__gt=end.closed_at
        ).values_list("sequence", flat=True)
    return [f"movement {sequence} was posted in a closed month" for sequence in late]
