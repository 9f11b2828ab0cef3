"""Form fields for what is read at the bench: masses, volumes, lots, portions, figures by metal."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from django import forms
from django.urls import reverse_lazy

from config.pages import message_of
from config.refusals import RefusalError
from lots.codes import parse_code
from lots.measurements.assays import Finding
from lots.metals import Metal
from lots.models import Lot
from lots.services.opening import Amount
from lots.services.taking import Take
from lots.units import parse_decimal, parse_mass
from lots.volumes import parse_volume


class MassInput(forms.TextInput):
    """A mass as written, with its conversion shown below while it is typed."""

    template_name = "lots/widgets/mass.html"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(
            {
                "autocomplete": "off",
                "spellcheck": "false",
                "maxlength": 60,
                "placeholder": "1302.4 g",
                "hx-get": reverse_lazy("convert-mass"),
                "hx-trigger": "input changed delay:250ms, load[this.value]",
                "hx-target": "next .conversion",
                "hx-sync": "this:replace",
                **(attrs or {}),
            }
        )

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context(name, value, attrs)
        context["widget"]["attrs"]["hx-trigger"] = "input changed delay:250ms"
        context["widget"]["attrs"]["hx-vals"] = f'{{"of": "{name}"}}'
        return context


class RefusingField(forms.Field):
    """A field whose own refusals are printed as the services' are."""

    def read(self, value: Any) -> Any:
        raise AssertionError(f"{type(self).__name__} reads nothing")

    def is_blank(self, value: Any) -> bool:
        return value in self.empty_values

    def blank(self) -> Any:
        return None

    def clean(self, value: Any) -> Any:
        if self.is_blank(value):
            if self.required:
                raise forms.ValidationError(self.error_messages["required"], code="required")
            return self.blank()
        try:
            return self.read(value)
        except RefusalError as refusal:
            raise forms.ValidationError(message_of(refusal), code=refusal.code) from refusal


class MassField(RefusingField):
    """Micrograms from "1 302.4 g", "41.87 ozt" or "26 dwt"."""

    widget = MassInput

    def __init__(self, *, positive: bool = True, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.positive = positive

    def read(self, value: Any) -> int:
        return parse_mass(value, field="", positive=self.positive).mass_ug


class VolumeField(RefusingField):
    """Microlitres from "850 ml" or "11.5 l"."""

    widget = forms.TextInput(
        {"autocomplete": "off", "maxlength": 40, "placeholder": "11.5 l", "spellcheck": "false"}
    )

    def read(self, value: Any) -> int:
        return parse_volume(value, field="")


class FigureField(RefusingField):
    """A plain decimal number, never a float."""

    widget = forms.TextInput({"autocomplete": "off", "inputmode": "decimal", "maxlength": 40})

    def __init__(
        self,
        *,
        minimum: Decimal | None = Decimal(0),
        maximum: Decimal | None = None,
        decimals_max: int = 6,
        **kwargs: Any,
    ) -> None:
        super().__init__(**kwargs)
        self.limits: dict[str, Any] = {
            "minimum": minimum,
            "maximum": maximum,
            "decimals_max": decimals_max,
        }

    def read(self, value: Any) -> Decimal:
        return parse_decimal(str(value).strip(), field="", **self.limits)


class LotCodeInput(forms.TextInput):
    """A code as on the label; what is typed is answered with lots at hand."""

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(
            {
                "autocomplete": "off",
                "autocapitalize": "characters",
                "spellcheck": "false",
                "maxlength": CODE_TYPED_MAX,
                "placeholder": "GR26-0417-1",
                "list": "lots-at-hand",
                **(attrs or {}),
            }
        )


class LotField(RefusingField):
    """A lot by its code, whatever the case, spaces and hyphens it is typed with."""

    widget = LotCodeInput

    def read(self, value: Any) -> Lot:
        return lot_by_code(value)


# What a label's QR code says before its lot's code; a scanner types the whole address.
SCANNED_AT: Final = "/q/"
CODE_TYPED_MAX: Final = 200


def lot_by_code(text: Any) -> Lot:
    """The lot whose code was typed, or whose label was scanned.

    Raises as `parse_code`; ValidationError when there is none.
    """
    typed = str(text).rpartition(SCANNED_AT)[2].strip("/ ")
    code = str(parse_code(typed, field=""))
    lot = Lot.objects.select_related("owner", "place").filter(code=code).first()
    if lot is None:
        raise forms.ValidationError(f"There is no lot {code}.", code="unknown")
    return lot


class TakesInput(forms.Widget):
    """Rows of a lot's code and, for a part of it, how much."""

    template_name = "lots/widgets/takes.html"
    use_fieldset = True
    wide = True
    rows = 3

    def value_from_datadict(self, data: Any, files: Any, name: str) -> list[tuple[str, str]]:
        if not hasattr(data, "getlist"):
            return [tuple(each) for each in data.get(name, [])]
        lots, portions = data.getlist(f"{name}-lot"), data.getlist(f"{name}-portion")
        portions += [""] * (len(lots) - len(portions))
        pairs = zip(lots, portions, strict=False)
        return [(a.strip(), b.strip()) for a, b in pairs if a.strip() or b.strip()]

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context(name, value, attrs)
        given = list(value or [])
        context["rows"] = given + [("", "")] * max(1, self.rows - len(given))
        return context


class TakesField(RefusingField):
    """Portions of lots: all of each, or "500 g", or of a solution "2 l"."""

    widget = TakesInput

    def blank(self) -> list[Take]:
        return []

    def read(self, value: list[tuple[str, str]]) -> list[Take]:
        return [self._take(code, portion) for code, portion in value]

    def _take(self, code: str, portion: str) -> Take:
        lot = lot_by_code(code)
        if not portion:
            return Take(lot)
        if lot.is_liquid:
            return Take(lot, volume_ul=parse_volume(portion, field=""))
        return Take(lot, mass_ug=parse_mass(portion, field="").mass_ug)


class ByMetalInput(forms.Widget):
    """One input a metal; with `with_spread` a second one for the standard uncertainty."""

    template_name = "lots/widgets/by_metal.html"
    use_fieldset = True
    wide = True
    with_spread = False
    unit = "‰"
    asks = "result"

    def value_from_datadict(self, data: Any, files: Any, name: str) -> dict[str, tuple[str, str]]:
        found = {}
        for metal in Metal.values:
            value = (data.get(f"{name}-{metal}") or "").strip()
            spread = (data.get(f"{name}-{metal}-u") or "").strip()
            if value or spread:
                found[metal] = (value, spread)
        return found

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context(name, value, attrs)
        given: Mapping[str, tuple[str, str]] = value or {}
        context["rows"] = [
            (metal, Metal(metal).label, *given.get(metal, ("", ""))) for metal in Metal.values
        ]
        context["with_spread"] = self.with_spread
        context["unit"] = self.unit
        context["asks"] = self.asks
        return context


class FinenessField(RefusingField):
    """Parts per thousand by metal."""

    widget = ByMetalInput

    def blank(self) -> dict[str, Decimal]:
        return {}

    def read(self, value: dict[str, tuple[str, str]]) -> dict[str, Decimal]:
        return {
            metal: parse_decimal(figure, field=Metal(metal).label)
            for metal, (figure, _) in value.items()
        }


class FindingsInput(ByMetalInput):
    with_spread = True
    unit = "‰ or g/L"


class FindingsField(RefusingField):
    """A laboratory's result by metal, each with its standard uncertainty."""

    widget = FindingsInput

    def blank(self) -> dict[str, Finding]:
        return {}

    def read(self, value: dict[str, tuple[str, str]]) -> dict[str, Finding]:
        findings = {}
        for metal, (figure, spread) in value.items():
            if not figure or not spread:
                name = Metal(metal).label
                raise forms.ValidationError(
                    f"{name} needs its result and its standard uncertainty.",
                    code="result_incomplete",
                )
            findings[metal] = Finding(
                parse_decimal(figure, field=metal, decimals_max=6),
                parse_decimal(spread, field=metal, minimum=Decimal(0), decimals_max=6),
            )
        return findings


class MassesByMetalInput(ByMetalInput):
    unit = "with its unit, as in 250 g"


class MassesByMetalField(RefusingField):
    """Masses by metal, such as copper put in from supplies; micrograms inside."""

    widget = MassesByMetalInput

    def blank(self) -> dict[str, int]:
        return {}

    def read(self, value: dict[str, tuple[str, str]]) -> dict[str, int]:
        return {
            metal: parse_mass(figure, field=Metal(metal).label).mass_ug
            for metal, (figure, _) in value.items()
        }


class AmountsInput(MassesByMetalInput):
    with_spread = True
    asks = "mass"


class AmountsField(RefusingField):
    """Masses by metal, each with its standard uncertainty where it is known."""

    widget = AmountsInput

    def blank(self) -> dict[str, Amount]:
        return {}

    def read(self, value: dict[str, tuple[str, str]]) -> dict[str, Amount]:
        return {
            metal: Amount(
                parse_mass(figure, field=Metal(metal).label).mass_ug,
                parse_mass(spread, field=Metal(metal).label, positive=False).mass_ug
                if spread
                else None,
            )
            for metal, (figure, spread) in value.items()
        }
