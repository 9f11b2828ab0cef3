"""Which readings of a month do not fit the others, which one to look at first, and what to post.

One reading is set aside at a time and all is reconciled again, until what is left fits. Nothing is
corrected: a suspicion ends in a proposal that a person may follow or not.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import hypot
from typing import Final

from cells.models import RunMovement
from lots.models import BooksMonth, Lot, Movement, Weighing
from lots.units import UG_PER_G
from reports.doubt_words import ALLOWANCE, ORDER, Recorded, explanations, is_possible, sentence
from reports.queries.month.month_network import LedgerNetwork
from reports.queries.month.month_readings import Source
from reports.statistics.equations import Solution, solve
from reports.statistics.mistake_shapes import Explanation
from reports.statistics.suspects import RIVAL_DROP, Suspect, find_suspects

SUSPICIONS_MAX: Final = 8
CANDIDATES_MAX: Final = 6
# The first explanation is put into the proposal when it is at least this likely among those found.
CLEAR: Final = 0.5


@dataclass(frozen=True)
class Proposal:
    """What might be done once the suspicion is confirmed: nothing is done by itself.

    `reverse` are movements by sequence, in the order in which they would have to be reversed; the
    last one rests on the reading. `post_instead` is said in words.
    """

    reverse: tuple[int, ...]
    post_instead: str
    value: Decimal
    unit: str


@dataclass(frozen=True)
class Suspicion:
    """A reading that does not fit: `bias` is what it reads too high (negative: too low).

    `recorded` and `implied` are in `unit`, the unit it was entered in; of a weighing with a tare
    both are the gross. `z` is the test value when it was found. `rivals` would explain it as well.
    """

    name: str
    kind: str
    lot: str
    taken_at: dt.datetime | None
    measurement: int | None
    movement: int | None
    metal: str
    unit: str
    recorded: Decimal
    implied: float
    bias: float
    u: float
    z: float
    sentence: str
    explanations: tuple[Explanation, ...]
    rivals: tuple[str, ...]
    proposal: Proposal | None


@dataclass(frozen=True)
class _Candidate:
    number: int
    source: Source
    recorded: Recorded
    explanations: tuple[Explanation, ...]
    bias: float
    solution: Solution


def suspicions(
    ledger: LedgerNetwork, solution: Solution, *, alpha: float
) -> tuple[list[int], tuple[Suspicion, ...]]:
    """The readings to doubt, the worst first, as numbers of the equations and in words."""
    aside: list[int] = []
    found: list[Suspicion] = []
    while len(found) < SUSPICIONS_MAX:
        suspects = find_suspects(solution.linear, alpha=alpha, suspects_max=1).suspects
        if not suspects:
            break
        chosen, others = _choose(ledger, suspects[0], aside)
        aside.append(chosen.number)
        found.append(_suspicion(ledger, chosen, others, suspects[0]))
        solution = chosen.solution
    return aside, tuple(found)


def _choose(
    ledger: LedgerNetwork, suspect: Suspect, aside: Sequence[int]
) -> tuple[_Candidate, list[_Candidate]]:
    """Of the readings that would explain it equally, the one that a person would look at first.

    What cannot be (a grade above all of it) is out; a measurement goes before a statement and that
    before an allowance; then one that a usual slip explains; then the better fit.
    """
    numbers = [suspect.index, *(number for number, _ in suspect.equivalent), *suspect.rivals]
    tried = [_candidate(ledger, number, aside) for number in numbers[:CANDIDATES_MAX]]
    best = min(each.solution.linear.statistic for each in tried)
    possible = [
        each
        for each in tried
        if is_possible(each.source.kind, each.source.unit, each.recorded.implied)
        and each.solution.linear.statistic <= best + RIVAL_DROP
    ]
    ranked = sorted(
        possible or tried[:1],
        key=lambda each: (
            ORDER.get(each.source.kind, ALLOWANCE),
            not each.explanations,
            each.solution.linear.statistic,
        ),
    )
    return ranked[0], ranked[1:]


def _candidate(ledger: LedgerNetwork, number: int, aside: Sequence[int]) -> _Candidate:
    equations = ledger.network.equations
    solution = solve(equations, {*aside, number})
    source = ledger.source(equations.names[number])
    scale = source.scale
    figure = equations.readings[number]
    implied, u = scale * float(solution.estimates[number]), scale * float(solution.sd[number])
    recorded = _recorded(ledger, source, scale * figure.value, implied, hypot(u, scale * figure.u))
    return _Candidate(
        number,
        source,
        recorded,
        explanations(recorded),
        float(recorded.read) - recorded.implied,
        solution,
    )


def _recorded(
    ledger: LedgerNetwork, source: Source, value: float, implied: float, u: float
) -> Recorded:
    lot = ledger.lots.get(source.lot)
    at_hand = lot is not None and lot.state in {Lot.State.AVAILABLE, Lot.State.QUARANTINED}
    if source.kind != "weighing":
        read = round(Decimal(value), 6).normalize()
        return Recorded(
            source.kind, source.label, source.unit, read, implied, u, is_at_hand=at_hand
        )
    assert source.pk is not None
    weighing = Weighing.objects.select_related("balance").get(pk=source.pk)
    step = Decimal(weighing.balance.readability_ug) / UG_PER_G
    gross, tare = (_in_steps(ug, step) for ug in (weighing.gross_ug, weighing.tare_ug))
    return Recorded(
        source.kind,
        source.label,
        "g",
        gross,
        implied + float(tare),
        u,
        tare=tare or None,
        is_at_hand=at_hand,
    )


def _in_steps(mass_ug: int, step: Decimal) -> Decimal:
    """Grams with as many decimals as the balance shows, or as were entered if that is more."""
    grams = Decimal(mass_ug) / UG_PER_G
    shown = grams.quantize(step.normalize()) if step < 1 else round(grams)
    return Decimal(shown) if shown == grams else grams.normalize()


def _suspicion(
    ledger: LedgerNetwork, chosen: _Candidate, others: Sequence[_Candidate], suspect: Suspect
) -> Suspicion:
    source, recorded = chosen.source, chosen.recorded
    return Suspicion(
        name=source.label,
        kind=source.kind,
        lot=source.lot,
        taken_at=source.taken_at,
        measurement=source.pk,
        movement=None if source.movement is None else source.movement.sequence,
        metal=source.metal,
        unit=source.unit,
        recorded=recorded.read,
        implied=recorded.implied,
        bias=chosen.bias,
        u=recorded.implied_u,
        z=abs(suspect.z) if chosen.bias > 0 else -abs(suspect.z),
        sentence=sentence(recorded),
        explanations=chosen.explanations,
        rivals=tuple(sentence(each.recorded) for each in others),
        proposal=_proposal(ledger, chosen),
    )


def _proposal(ledger: LedgerNetwork, chosen: _Candidate) -> Proposal | None:
    """Only what rests on a movement can be posted again."""
    source, recorded = chosen.source, chosen.recorded
    movement = source.movement
    if movement is None or source.kind not in {"weighing", "volume"}:
        return None
    clear = [each for each in chosen.explanations[:1] if each.weight >= CLEAR]
    value = clear[0].value if clear else _sensible(recorded)
    if clear and recorded.tare and _is_net(clear[0]):
        value += recorded.tare
    what = "gross" if recorded.tare else "figure"
    told = f"{value:f} {recorded.unit} instead of {recorded.read:f} {recorded.unit}"
    kind = movement.get_kind_display().lower()
    text = f"Post the {kind} again with a {what} of {told}, if measuring again confirms it."
    month = BooksMonth.objects.filter(
        starts_at__lte=movement.occurred_at, ends_at__gt=movement.occurred_at
    ).first()
    if month is not None and month.state == BooksMonth.State.CLOSED:
        text += f" {month} is closed: reopen it with a reason, or post the difference now."
    return Proposal((*_later_steps(movement), movement.sequence), text, value, recorded.unit)


def _is_net(explanation: Explanation) -> bool:
    return "tare" in explanation.detail


def _sensible(recorded: Recorded) -> Decimal:
    """What is implied, to the decimals of what was recorded."""
    places = max(-int(recorded.read.as_tuple().exponent), 0)
    return round(Decimal(recorded.implied), places)


def _later_steps(movement: Movement) -> list[int]:
    """Later steps of the same run rest on this one and are reversed before it, the last first."""
    run = RunMovement.objects.filter(movement=movement).values("run")
    return list(
        RunMovement.objects.filter(run__in=run, movement__reversed_by__isnull=True)
        .filter(movement__reverses__isnull=True, movement__sequence__gt=movement.sequence)
        .order_by("-movement__sequence")
        .values_list("movement__sequence", flat=True)
    )
