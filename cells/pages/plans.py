"""Plans asked for in a form: the next charge, what to add to an electrolyte, when to bleed it.

Each is a question, answered on the page that asks it; nothing is recorded.
"""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal
from functools import partial
from typing import Any, ClassVar, Final
from urllib.parse import urlencode

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404

from cells.electrochemistry.make_up import MakeUp, Target
from cells.feed_plan import FeedPlan
from cells.models import Cell, ElectrolyteBatch
from cells.queries.electrolyte_books import electrolyte_book
from cells.queries.feed_on_hand import feed_plan
from cells.queries.make_up_plan import BleedOutlook, bleed_outlook, make_up_plan
from cells.services.electrolytes import ON_ELECTROLYTE, at_hand
from config.pages import show_answer
from config.refusals import RefusalError
from lots import clock
from lots.pages.form_fields import FigureField, MassField, VolumeField
from lots.pages.reference import exact_g
from lots.people.access import staff_page
from lots.units import UG_PER_G

UL_PER_L: Final = 1_000_000
LIMIT_NAMES: Final = {
    "basket_min": "the least worth charging",
    "basket_max": "what the basket takes",
    "copper_max": "the room for copper",
    "palladium_max": "the room for palladium",
    "lots_max": "the number of lots",
}


def asked(form_class: type[forms.Form], request: HttpRequest, **initial: Any) -> forms.Form:
    """The form, bound once something of it is in the address."""
    is_asked = any(name in request.GET for name in form_class.base_fields)
    return form_class(request.GET) if is_asked else form_class(initial=initial)


class FeedPlanForm(forms.Form):
    electrolyte = forms.ModelChoiceField(at_hand())
    copper_max = MassField(
        label="Most copper that may come in",
        required=False,
        help_text="Empty: what the electrolyte has room for. More is planned with a bleed.",
    )


@staff_page
def feed_plan_page(request: HttpRequest, code: str) -> HttpResponse:
    cell = get_object_or_404(Cell.objects.select_related("place"), code=code)
    form = asked(FeedPlanForm, request, electrolyte=cell.electrolytes.order_by("-id").first())

    def ask(data: dict[str, Any]) -> FeedPlan:
        electrolyte, most_ug = data["electrolyte"], data["copper_max"]
        return feed_plan(cell, electrolyte, clock.now(), copper_ug_max=most_ug)

    def beside(plan: FeedPlan | None) -> dict[str, Any]:
        return {
            "section": "cells",
            "cell": cell,
            "plan": plan,
            "charge_query": _charge_query(plan, form) if plan is not None else "",
            "tight": [LIMIT_NAMES[limit] for limit in plan.tight] if plan is not None else [],
            "limit_names": LIMIT_NAMES,
        }

    return show_answer(request, "cells/feed_plan.html", form, ask, beside)


def _charge_query(plan: FeedPlan, form: Any) -> str:
    """What the charge's form is filled in with: the electrolyte, and each lot with its portion."""
    takes = [
        ("take", f"{each.lot}:{'' if each.whole else exact_g(each.mass_ug)}") for each in plan.takes
    ]
    return urlencode([("electrolyte", form.cleaned_data["electrolyte"].lot.code), *takes])


class MakeUpForm(forms.Form):
    volume = VolumeField(label="Volume wanted")
    silver_g_per_l = FigureField(label="Silver wanted, g/L")
    acid_mol_per_l = FigureField(label="Free nitric acid wanted, mol/L")
    acid_percent = FigureField(
        label="Nitric acid at hand, % by mass",
        maximum=Decimal(100),
        decimals_max=4,
        help_text="As its label says.",
    )
    concentrated_share = FigureField(
        label="Share of the silver that dissolves to nitrogen dioxide",
        maximum=Decimal(1),
        help_text="0 in dilute hot acid, 1 in concentrated acid; real use lies between.",
    )


@staff_page
def make_up_page(request: HttpRequest, code: str) -> HttpResponse:
    batch = ON_ELECTROLYTE.find({"code": code})
    book = electrolyte_book(batch)
    form = asked(
        MakeUpForm,
        request,
        volume=_volume_usual(batch, book.volume_ul),
        acid_percent="65",
        concentrated_share="0.5",
    )

    def ask(data: dict[str, Any]) -> MakeUp:
        target = Target(
            data["volume"] / UL_PER_L,
            float(data["silver_g_per_l"]),
            float(data["acid_mol_per_l"]),
        )
        return make_up_plan(
            batch,
            target,
            acid_percent=float(data["acid_percent"]),
            concentrated_share=float(data["concentrated_share"]),
        )

    def beside(plan: MakeUp | None) -> dict[str, Any]:
        routes = {
            "As chosen": "chosen",
            "All to nitrogen monoxide": "dilute",
            "All to nitrogen dioxide": "concentrated",
            "With silver nitrate instead": "nitrate",
        }
        return {
            "section": "cells",
            "batch": batch,
            "book": book,
            "plan": plan,
            "routes": [(name, getattr(plan, at)) for name, at in routes.items()] if plan else (),
        }

    return show_answer(request, "cells/make_up_plan.html", form, ask, beside)


def _volume_usual(batch: ElectrolyteBatch, volume_ul: int) -> str:
    """The bath of the cell it stands in, else what there is of it."""
    wanted = batch.cell.bath_volume_ul if batch.cell is not None else volume_ul
    return f"{Decimal(wanted).scaleb(-6).normalize():f} l"


class BleedForm(forms.Form):
    volume = VolumeField(label="Take out", required=False, help_text="Such a volume, as in 1.5 l.")
    hold_copper_g_per_l = FigureField(
        label="Or hold copper at, g/L",
        required=False,
        help_text="What to take out after every use so that copper stays there.",
    )
    copper_per_use = MassField(
        label="Copper that a charge brings",
        required=False,
        help_text="Empty: by the latest runs of its cell.",
    )
    asked_as: ClassVar[dict[str, str]] = {
        "volume_l": "volume",
        "hold_g_per_l": "hold_copper_g_per_l",
        "copper_per_use_g": "copper_per_use",
    }


@staff_page
def bleed_page(request: HttpRequest, code: str) -> HttpResponse:
    """Without a question yet, the uses left by the latest runs, where there are any."""
    batch = ON_ELECTROLYTE.find({"code": code})
    form = asked(BleedForm, request)
    about = {"section": "cells", "batch": batch, "book": electrolyte_book(batch)}
    unasked = None
    if not form.is_bound:
        with suppress(RefusalError):
            unasked = _outlook(batch, {})
    return show_answer(
        request,
        "cells/bleed_plan.html",
        form,
        partial(_outlook, batch),
        lambda found: {**about, "found": found},
        unasked=unasked,
    )


def _outlook(batch: ElectrolyteBatch, data: dict[str, Any]) -> BleedOutlook:
    volume_ul, copper_ug = data.get("volume"), data.get("copper_per_use")
    level = data.get("hold_copper_g_per_l")
    return bleed_outlook(
        batch,
        volume_l=None if volume_ul is None else volume_ul / UL_PER_L,
        hold_g_per_l=None if level is None else float(level),
        copper_per_use_g=None if copper_ug is None else copper_ug / UG_PER_G,
    )
