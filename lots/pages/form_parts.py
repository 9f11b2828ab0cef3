"""Parts that several bench forms share: an optional weighing, a volume, an assay."""

from __future__ import annotations

from typing import Any, ClassVar

from django import forms

from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight
from lots.models import Balance
from lots.pages.bench_form import ActForm
from lots.pages.form_fields import MassField, VolumeField

Together = tuple[str, str, str]


class PartsForm(ActForm):
    """A form whose optional parts are whole or absent: `together` names (given, needed, why)."""

    together: ClassVar[tuple[Together, ...]] = ()

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or self.cleaned_data
        for cls in type(self).__mro__:
            for given, needed, message in cls.__dict__.get("together", ()):
                is_given = data.get(given) not in (None, "", {})
                if is_given and data.get(needed) in (None, "") and needed not in self.errors:
                    self.add_error(needed, message)
        return data


class OptionalWeight(PartsForm):
    """A weighing that may be left out."""

    gross = MassField(required=False, help_text="With its unit: 1302.4 g, 41.87 ozt, 26 dwt.")
    tare = MassField(positive=False, required=False, help_text="Empty when the pan was tared.")
    balance = forms.ModelChoiceField(Balance.objects.filter(is_active=True), required=False)
    together: ClassVar[tuple[Together, ...]] = (
        ("gross", "balance", "Name the balance it was weighed on."),
    )

    def weight(self) -> Weight | None:
        data = self.cleaned_data
        if data["gross"] is None:
            return None
        entered = str(self.data.get("gross", ""))[:80]
        return Weight(data["gross"], data["tare"] or 0, data["balance"], entered)


class OptionalVolume(PartsForm):
    """A volume that may be left out, with its standard uncertainty."""

    volume = VolumeField(required=False)
    volume_u = VolumeField(
        label="Standard uncertainty of the volume", required=False, help_text="As in 20 ml."
    )
    together: ClassVar[tuple[Together, ...]] = (
        ("volume", "volume_u", "A volume needs its standard uncertainty."),
    )

    def volume_read(self) -> Volume | None:
        data = self.cleaned_data
        return None if data["volume"] is None else Volume(data["volume"], data["volume_u"])
