"""What the cells answer through the API: accounts of runs, what is in the bowl, what is next."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any, Final, get_type_hints

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from cells.electrochemistry.make_up import Bleed, MakeUp, Target, UsesLeft
from cells.estimate.answers import Doubt
from cells.estimate.outlook import Forecast, RunState
from cells.feed_plan import FeedPlan
from cells.models import Cell
from cells.queries.electrolyte_books import ElectrolyteBook, electrolyte_book
from cells.queries.feed_on_hand import feed_plan
from cells.queries.make_up_plan import UsualCopper, bleed_outlook, make_up_plan
from cells.queries.run_estimate import BesideBook, RunNow, run_now
from cells.queries.run_summary import RunSummary, run_summary
from cells.queries.slimes_queue import QueuedBag, recovery_batches, slimes_queue
from cells.services.electrolytes import ON_ELECTROLYTE
from cells.services.run_steps import ON_RUN
from cells.slimes_batches import RecoveryBatch
from config.refusals import refuse
from lots import clock
from lots.api.questions import AS_OF, AT_A_MOMENT, QuestionView, moment_of
from lots.api.records import BY_METAL, Shown
from lots.cautions import cautions_for

SIGNS: Final = (
    "Difference = book less what was found (weighed, measured or computed from the charge): "
    "positive is an apparent loss, negative an apparent gain."
)
RUN_FLOWS: Final = BY_METAL | {
    "charged",
    "remnant",
    "slimes",
    "rinse",
    "added",
    "bled",
    "difference",
}


def _figure(
    words: str, *, digits: int = 12, decimals: int = 6, **kwargs: Any
) -> serializers.DecimalField:
    return serializers.DecimalField(
        max_digits=digits, decimal_places=decimals, help_text=words, **kwargs
    )


OF_A_MOMENT: Final = {"as_of": AS_OF}


def moment_asked(asked: dict[str, Any]) -> dt.datetime:
    """The moment a question is asked of, now unless told."""
    moment: dt.datetime = asked.get("as_of") or clock.now()
    return moment


class SummariseRun(QuestionView):
    """A run's account: charged, taken out, weighed beside Faraday's law, and unaccounted for."""

    shows = {"summary": RunSummary, "signs": str}
    by_metal = RUN_FLOWS

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        return {"summary": run_summary(ON_RUN.find(path), moment_of(asked)), "signs": SIGNS}


BOWL: Final = Shown(
    """What a run's cell holds by everything that is known of it, each figure with its range.

Grams, litres, moles per litre, ampere-hours; `low` and `high` end the 95 % interval. `slimes_g` is
what the bag may hold. `beside_book` is the bath's book beside what is expected of it. `doubts` are
figures that do not fit the others, with what they should have been.""",
    {
        "run": (str, "known.run.code"),
        "as_of": dt.datetime,
        **{name: (kind, f"state.{name}") for name, kind in get_type_hints(RunState).items()},
        "beside_book": tuple[BesideBook, ...],
        "doubts": (tuple[Doubt, ...], "found.doubts"),
    },
)


class StateOfRun(QuestionView):
    """What is in the cell of a started run: bath, crystal, anode left, slimes."""

    asks = OF_A_MOMENT
    shows = BOWL

    def answer(self, asked: dict[str, Any], **path: Any) -> RunNow:
        return run_now(ON_RUN.find(path), moment_asked(asked))


class ForecastRun(QuestionView):
    """When a run's anode is exhausted and what the cell holds then, or why it can't be said yet."""

    asks = {
        **OF_A_MOMENT,
        "moment": serializers.DateTimeField(
            required=False, help_text="How the run will stand then, as if it were stopped."
        ),
    }
    shows = {"now": BOWL, "forecast": Forecast}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        now = run_now(ON_RUN.find(path), moment_asked(asked))
        return {"now": now, "forecast": now.ahead(asked.get("moment"))}


class StateOfElectrolyte(QuestionView):
    """An electrolyte by the book: grams, grams per litre, free acid, every use."""

    shows = ElectrolyteBook

    def answer(self, asked: dict[str, Any], **path: Any) -> ElectrolyteBook:
        return electrolyte_book(ON_ELECTROLYTE.find(path), moment_of(asked))


class PlanMakeUp(QuestionView):
    """What brings an electrolyte to a target: silver, acid, water, and the gases given off.

    A plan; what is posted is what was weighed.
    """

    asks = {
        **AT_A_MOMENT,
        "volume_l": _figure("Wanted."),
        "silver_g_per_l": _figure("Wanted."),
        "acid_mol_per_l": _figure("Free nitric acid wanted."),
        "acid_percent": _figure("By mass, of the nitric acid at hand.", digits=7, decimals=4),
        "concentrated_share": _figure(
            "Of the silver, by the reaction to nitrogen dioxide; 0 to 1.",
            digits=7,
            default=Decimal("0.5"),
        ),
    }
    shows = {"plan": MakeUp, "cautions": list[str]}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        names = ("volume_l", "silver_g_per_l", "acid_mol_per_l")
        plan = make_up_plan(
            ON_ELECTROLYTE.find(path),
            Target(**{name: float(asked[name]) for name in names}),
            acid_percent=float(asked["acid_percent"]),
            concentrated_share=float(asked["concentrated_share"]),
            as_of=moment_of(asked),
        )
        return {"plan": plan, "cautions": list(cautions_for("make_up").lines)}


class PlanBleed(QuestionView):
    """What leaves with a bleed and what its cementation takes, and the uses left without one."""

    asks = {
        **AT_A_MOMENT,
        "volume_l": _figure("A bleed of so much.", required=False),
        "hold_copper_g_per_l": _figure(
            "Or the bleed after every use that holds copper at this level.", required=False
        ),
        "copper_per_use_g": _figure(
            "What a charge brings into solution; by the cell's latest runs if left out.",
            required=False,
        ),
    }
    shows = {
        "bleed": Bleed,
        "usual_copper": UsualCopper | None,
        "uses_left": UsesLeft | None,
        "cautions": (list[str], lambda _: list(cautions_for("bleed").lines)),
    }

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        if not asked.keys() & {"volume_l", "hold_copper_g_per_l"}:
            raise refuse("one_of_two", field="volume_l")
        found = bleed_outlook(
            ON_ELECTROLYTE.find(path),
            volume_l=_float(asked.get("volume_l")),
            hold_g_per_l=_float(asked.get("hold_copper_g_per_l")),
            copper_per_use_g=_float(asked.get("copper_per_use_g")),
            as_of=moment_of(asked),
        )
        return found


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


class PlanFeed(QuestionView):
    """The best next charge of a cell from the lots on hand, within its limits.

    Where nothing fits, the remedies say which limit to move and by how much.
    """

    asks = {
        **OF_A_MOMENT,
        "electrolyte": serializers.CharField(
            max_length=20, help_text="The electrolyte's lot code."
        ),
    }
    shows = FeedPlan

    def answer(self, asked: dict[str, Any], **path: Any) -> FeedPlan:
        cell = get_object_or_404(Cell, code=path["code"])
        batch = ON_ELECTROLYTE.find({"code": asked["electrolyte"]})
        return feed_plan(cell, batch, moment_asked(asked))


class SlimesQueue(QuestionView):
    """Bags that wait for recovery, most at stake first, and which to recover together.

    Stakes are grams of precious metal.
    """

    asks = OF_A_MOMENT
    shows = {
        "as_of": dt.datetime,
        "bags": tuple[QueuedBag, ...],
        "batches": tuple[RecoveryBatch, ...],
    }

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        on = moment_asked(asked)
        return {"as_of": on, "bags": slimes_queue(on), "batches": recovery_batches(on)}
