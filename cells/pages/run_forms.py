"""What each step of a run asks for."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms

from cells.models import Cell, ElectrolyteBatch
from cells.services.electrolytes import ElectrolyteMeasurement
from cells.services.readings import Instruments
from lots.models import Assay, Lot
from lots.pages.bench_form import ActForm, WeightForm, place_field
from lots.pages.form_fields import (
    FigureField,
    MassesByMetalField,
    TakesField,
)
from lots.pages.form_parts import OptionalAssay, OptionalVolume, OptionalWeight


def electrolytes() -> Any:
    """Electrolytes that are at hand."""
    return ElectrolyteBatch.objects.filter(lot__state=Lot.State.AVAILABLE).select_related("lot")


class ChargeForm(ActForm):
    electrolyte = forms.ModelChoiceField(ElectrolyteBatch.objects.none())
    charge = TakesField(
        label="Lots that go into the basket",
        help_text="Leave the second box empty to take all of a lot.",
    )
    acknowledge_copper = forms.BooleanField(
        label="Charge although the electrolyte's copper is above the cell's limit", required=False
    )
    copper_reason = forms.CharField(label="Why, if so", max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["electrolyte"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = electrolytes()


class ReadingForm(ActForm):
    """The cell's instruments. What is not read is left empty."""

    current_a = FigureField(label="Current, A", decimals_max=4)
    voltage_v = FigureField(label="Voltage, V", required=False, decimals_max=4)
    temperature_c = FigureField(
        label="Temperature, °C", required=False, minimum=Decimal(-20), decimals_max=2
    )
    silver_g_per_l = FigureField(label="Silver in the bath, g/L", required=False, decimals_max=4)
    copper_g_per_l = FigureField(label="Copper in the bath, g/L", required=False, decimals_max=4)
    free_acid_g_per_l = FigureField(label="Free nitric acid, g/L", required=False, decimals_max=4)
    is_interruption = forms.BooleanField(
        label="The power went off now, until the next reading", required=False
    )

    def instruments(self) -> Instruments | None:
        """What was read; None when no current was."""
        data = self.cleaned_data
        if data["current_a"] is None:
            return None
        return Instruments(**{name: data[name] for name in _INSTRUMENTS})


_INSTRUMENTS = (
    "current_a",
    "voltage_v",
    "temperature_c",
    "silver_g_per_l",
    "copper_g_per_l",
    "free_acid_g_per_l",
    "is_interruption",
)


class SwitchForm(ReadingForm):
    """Switching on or off, with a reading if one was taken."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["current_a"].required = False
        del self.fields["is_interruption"]

    def instruments(self) -> Instruments | None:
        self.cleaned_data["is_interruption"] = False
        return super().instruments()


class RemnantForm(WeightForm):
    place = place_field(label="Where it is put")


class BagForm(OptionalWeight):
    place = place_field(label="Where it is put")
    torn = forms.BooleanField(label="The bag is torn", required=False)
    kept_share = FigureField(
        label="Share of the slimes still in a torn bag",
        required=False,
        maximum=Decimal(1),
        decimals_max=4,
        help_text="From 0 to 1, such as 0.8. The rest fell among the crystal.",
    )
    field_order = ["place", "torn", "kept_share"]


class RinseForm(OptionalVolume, OptionalAssay):
    basis = Assay.Basis.CONCENTRATION
    place = place_field(label="Where it is put")
    estimated = MassesByMetalField(
        label="Or an estimate of what it holds",
        required=False,
        help_text="Masses with their unit, as in 12 g.",
    )
    field_order = ["place", "volume", "volume_u"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["volume"].required = self.fields["volume_u"].required = True


class MeasurementForm(OptionalVolume, OptionalAssay):
    """The electrolyte as measured; results in grams per litre."""

    basis = Assay.Basis.CONCENTRATION
    free_acid_g_per_l = FigureField(label="Free nitric acid, g/L", required=False, decimals_max=4)
    free_acid_u_g_per_l = FigureField(
        label="Its standard uncertainty, g/L", required=False, decimals_max=4
    )
    asked_as = {**ActForm.asked_as, "measurement": "volume", "assay": "results"}

    def measurement(self) -> ElectrolyteMeasurement | None:
        data = self.cleaned_data
        measured = ElectrolyteMeasurement(
            volume=self.volume_read(),
            assay=self.report(),
            free_acid_g_per_l=data["free_acid_g_per_l"],
            free_acid_u_g_per_l=data["free_acid_u_g_per_l"],
        )
        return None if measured == ElectrolyteMeasurement() else measured


class TopUpForm(OptionalVolume):
    takes = TakesField(label="Lots dissolved in it", required=False)
    supplies = MassesByMetalField(
        label="Metal from supplies",
        required=False,
        help_text="Such as the silver in bought silver nitrate, with its unit.",
    )
    asked_as = {**ActForm.asked_as, "addition": "volume", "inputs": "takes"}


class PrepareForm(TopUpForm):
    place = place_field(label="Where it stands")
    cell = forms.ModelChoiceField(
        Cell.objects.filter(is_active=True), required=False, help_text="If it stands in one."
    )
    description = forms.CharField(max_length=200, required=False)
    field_order = ["place", "cell", "volume", "volume_u", "takes", "supplies", "description"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["volume"].required = self.fields["volume_u"].required = True


class BleedForm(RinseForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["estimated"]


class GroupBagsForm(ActForm):
    place = place_field(label="Where it is done")
    supplies = MassesByMetalField(label="Metal from supplies", required=False)
