"""The form a bar is listed by: what it rests on, and by which rules it is weighed."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any, Final

from django import forms
from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from lots import display
from lots.bars import SMALL_GOLD_BARS, RoundingRule
from lots.metals import Metal
from lots.models import Assay, AssayResult, Lot, Weighing
from lots.pages.bench_form import ActForm, choice_field
from lots.pages.form_fields import FigureField
from lots.services.bars_listing import MARK_MAX, Bar

LONDON, TURN, AGREED, PUBLISHED, TABLE = "london", "turn", "agreed", "published", "table"
GROSS_BY: Final = (
    (LONDON, "London: down to 0.025 ozt (gold) or 0.1 ozt (silver)"),
    (TURN, "London, turn of the scale: gold on a beam balance"),
    (AGREED, "Another rounding that the parties agreed"),
)
FINE_BY: Final = (
    (PUBLISHED, "Published: gold by London's formula, others state none"),
    (TABLE, "Agreed table of small gold bars, looked up"),
    (AGREED, "Gross × fineness, rounded as the parties agreed"),
)
DIRECTIONS: Final = (
    ("down", "Down"),
    ("half up", "To the nearest, half up"),
    ("half even", "To the nearest, half to even"),
)
# What is given and is found missing elsewhere: (asked for by, its choice, needed field, why).
NEEDED: Final = (
    ("gross_by", AGREED, "gross_step", "Give the step that was agreed, in troy ounces."),
    ("fine_by", AGREED, "fine_step", "Give the step that was agreed, in troy ounces."),
    ("fine_by", TABLE, "small_bar", "Say which bar of the table it is."),
)


class _Labelled(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A choice of records, each told by `said`."""

    said: Callable[[Any], str]

    def label_from_instance(self, obj: Any) -> str:
        return self.said(obj)


class ListBarForm(ActForm):
    mark = forms.CharField(
        label="Mark stamped on it",
        max_length=MARK_MAX,
        widget=forms.TextInput({"autocomplete": "off", "spellcheck": "false"}),
    )
    metal = choice_field(Metal, label="Metal of the bar")
    weighing = _Labelled(Weighing.objects.none(), label="Weighing it rests on")
    assay = _Labelled(Assay.objects.none(), label="Assay it rests on")
    stamped = FigureField(
        label="Fineness stamped, ‰",
        required=False,
        maximum=Decimal(1000),
        help_text="At most the assay's. Leave it empty for the assay's own.",
    )
    gross_by = choice_field(GROSS_BY, label="Gross weight by", initial=LONDON)
    gross_direction = choice_field(DIRECTIONS, label="Gross rounded", initial="down")
    gross_step = FigureField(
        label="Gross to steps of, ozt", required=False, minimum=Decimal("0.000001")
    )
    fine_by = choice_field(FINE_BY, label="Fine weight by", initial=PUBLISHED)
    small_bar = forms.ChoiceField(
        label="Which bar of the table",
        required=False,
        choices=[("", "Choose …"), *((bar, bar) for bar in SMALL_GOLD_BARS.fine_ozt)],
    )
    fine_direction = choice_field(DIRECTIONS, label="Fine rounded", initial="half up")
    fine_step = FigureField(
        label="Fine to steps of, ozt", required=False, minimum=Decimal("0.000001")
    )
    asked_as = {
        **ActForm.asked_as,
        "bar": "small_bar",
        "mass": "weighing",
        "gross": "gross_by",
        "turn_of_scale": "gross_by",
    }

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, records, said in (
            ("weighing", weighings_of(lot), _weighing_said),
            ("assay", assays_of(lot), _assay_said),
        ):
            field = self.fields[name]
            assert isinstance(field, _Labelled)
            field.queryset, field.said = records, said
            field.widget.wide = True
        for name in ("gross_by", "fine_by"):
            self.fields[name].widget.wide = True
        # The choices above decide whether these two are asked at all.
        for name in ("gross_direction", "fine_direction"):
            self.fields[name].required = False

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or self.cleaned_data
        for chooser, choice, needed, why in NEEDED:
            is_missing = data.get(needed) in (None, "") and needed not in self.errors
            if data.get(chooser) == choice and is_missing:
                self.add_error(needed, forms.ValidationError(why, code="required"))
        return data

    def bar(self) -> Bar:
        data = self.cleaned_data
        return Bar(
            mark=data.get("mark", ""),
            metal=data["metal"],
            weighing=data["weighing"],
            assay=data["assay"],
            stamped_ppt=data["stamped"],
            turn_of_scale=data["gross_by"] == TURN,
            gross_rule=self._agreed("gross"),
            fine_rule=self._agreed("fine"),
            small_bar=data["small_bar"] if data["fine_by"] == TABLE else "",
        )

    def _agreed(self, which: str) -> RoundingRule | None:
        data = self.cleaned_data
        if data[f"{which}_by"] != AGREED:
            return None
        return RoundingRule(data[f"{which}_direction"] or "down", data[f"{which}_step"])


def weighings_of(lot: Lot) -> QuerySet[Weighing]:
    """The lot's weighings that stand, the latest first."""
    standing = Weighing.objects.filter(lot=lot, withdrawal=None).select_related("balance")
    return standing.order_by("-taken_at", "-id")


def assays_of(lot: Lot) -> QuerySet[Assay]:
    """The lot's assays by fineness that stand, the latest first."""
    results = Prefetch("results", AssayResult.objects.order_by("id"))
    standing = lot.assays.filter(basis=Assay.Basis.FINENESS, withdrawal=None)
    found = standing.select_related("laboratory").prefetch_related(results)
    return found.order_by("-reported_at", "-id")


def _weighing_said(weighing: Weighing) -> str:
    return (
        f"{display.both(weighing.net_ug)}: {weighing.get_purpose_display()}, {weighing.balance}, "
        f"{timezone.localtime(weighing.taken_at):%Y-%m-%d %H:%M}"
    )


def _assay_said(assay: Assay) -> str:
    found = [f"{each.metal} {each.value.normalize():f} ‰" for each in assay.results.all()]
    return (
        f"{', '.join(found)}: {assay.get_method_display()}, {assay.laboratory}, "
        f"{timezone.localtime(assay.reported_at):%Y-%m-%d}"
    )
