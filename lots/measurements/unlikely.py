"""Figures are held against what is known: what is unlikely is asked, and recorded when said again.

An event says with `likely` which of its figures are held against what. Whoever records for a
person (the API, a page, an import) puts `Asking` into the act; `recorded_once` then asks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Annotated, Any, Final

from django.apps import apps
from django.db.models import Model

from config.refusals import RefusalError, refuse
from lots import clock
from lots.declaration.event import Asks, Event, On, events_of
from lots.ledger.recording import NOTE_LENGTH_MAX, Act, recorded_once
from lots.likelihood.figures import Held, HeldMoment, Question
from lots.models import ConfirmedFigure, FigureExplanation, Lot, LotStanding, Movement
from lots.texts import checked_text

Likely = Callable[..., Iterable[Held | HeldMoment]]


@dataclass(frozen=True)
class Asking:
    """Asks about unlikely figures; `is_confirmed` says of a field's path that it was said again."""

    is_confirmed: Callable[[str], bool] = lambda path: False

    def __call__(
        self, service: Callable[..., Any], arguments: Mapping[str, Any]
    ) -> Callable[[Model], None]:
        """Looks before the service changes what is known; the answer asks, or keeps, after it.

        So what the service refuses is refused first.
        """
        likely = likely_of(service)
        found = [] if likely is None else questions_of(likely(**arguments))

        def settle(recorded: Model) -> None:
            if unsure := [each for each in found if not self.is_confirmed(each.path)]:
                raise unlikely(unsure)
            _keep(found, recorded, arguments["act"])

        return settle

    def of_row(self, row: str, column_of: Callable[[str], str]) -> Asking:
        """The same for a row of a sheet, confirmed by its own path or that of a column in it."""

        def is_confirmed(path: str) -> bool:
            return self.is_confirmed(row) or self.is_confirmed(f"{row}.{column_of(path)}")

        return replace(self, is_confirmed=is_confirmed)


def questions_of(held: Iterable[Held | HeldMoment]) -> list[Question]:
    """What is to be asked; a field is asked about once."""
    found: dict[str, Question] = {}
    for each in held:
        question = each.question()
        if question is not None:
            found.setdefault(question.path, question)
    return list(found.values())


@cache
def likely_of(service: Callable[..., Any]) -> Likely | None:
    """What holds the figures of a service's event against what is known, if anything does."""
    events = (event for config in apps.get_app_configs() for event in events_of(config.name))
    return next((event.likely for event in events if event.service is service), None)


def unlikely(questions: Sequence[Question]) -> RefusalError:
    """The refusal that asks about all of them; its own words are of the first."""
    return _asking_about(
        [
            {
                "field": each.path,
                "value": each.given,
                "low": each.low or None,
                "high": each.high or None,
                "why": each.why,
                "suggestions": [vars(suggestion) for suggestion in each.suggestions],
            }
            for each in questions
        ]
    )


def one_by_one(refusal: RefusalError) -> list[RefusalError]:
    """A refusal for each figure that is asked about; any other refusal is one."""
    return [_asking_about([each]) for each in refusal.questions] or [refusal]


def _asking_about(asked: list[dict[str, Any]]) -> RefusalError:
    first = asked[0]
    low, high = first["low"], first["high"]
    limits = f"{low} to {high}" if low and high else f"at least {low}" if low else f"at most {high}"
    refusal = refuse(
        "unlikely", field=first["field"], value=first["value"], range=limits, why=first["why"]
    )
    refusal.questions = asked
    return refusal


def _keep(questions: Sequence[Question], recorded: Model, act: Act) -> None:
    """Beside what was recorded: the figures confirmed, with their ranges, under the same seal."""
    for each in questions:
        ConfirmedFigure.objects.create(
            recorded_model=recorded._meta.label,
            recorded_pk=recorded.pk,
            movement=_movement_of(recorded),
            about=f"{recorded._meta.verbose_name} {recorded}"[:120],
            field=each.path[:120],
            figure=each.given[:80],
            low=each.low,
            high=each.high,
            why=each.why[:500],
            confirmed_at=clock.now(),
            confirmed_by_id=act.who.pk,
        )


def _movement_of(recorded: Model) -> Movement | None:
    if isinstance(recorded, Movement):
        return recorded
    if isinstance(movement := getattr(recorded, "movement", None), Movement):
        return movement
    lot = recorded if isinstance(recorded, Lot) else getattr(recorded, "lot", None)
    if not isinstance(lot, Lot):
        return None
    standing = LotStanding.objects.filter(lot=lot).select_related("movement").order_by("id").last()
    return None if standing is None else standing.movement


@recorded_once
def explain_figure(
    *,
    figure: ConfirmedFigure,
    explanation: Annotated[str, Asks("What explains it", at_most=NOTE_LENGTH_MAX, long=3)],
    act: Act,
) -> ConfirmedFigure:
    """Says why an unlikely figure was right, or what became of it; it is off Today then.

    Raises ConflictError `already_explained`, and what `checked_text` raises on `explanation`.
    """
    said = checked_text(explanation, field="explanation", limit=NOTE_LENGTH_MAX, required=True)
    if FigureExplanation.objects.filter(figure=figure).exists():
        raise refuse("already_explained:figure", field="figure", value=figure.figure)
    FigureExplanation.objects.create(
        figure=figure, explanation=said, explained_at=act.moment, explained_by_id=act.who.pk
    )
    return figure


EXPLAIN_FIGURE: Final = Event(
    explain_figure,
    on=On(
        ConfirmedFigure,
        "confirmed-figures/<int:pk>",
        "figure",
        related=("movement", "confirmed_by", "explanation__explained_by"),
        template="lots/figure_step.html",
    ),
    at="explain",
    name="figure",
    about="Explain an unlikely figure that was confirmed when it was recorded.",
    title="An unlikely figure",
    button="That explains it",
    done="Explained, and kept with the figure.",
    lands="today",
    when="",
    why="",
)
