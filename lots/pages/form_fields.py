"""Form fields for what is read at the bench: masses, volumes, lots, portions, figures by metal."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from itertools import zip_longest
from typing import Any, ClassVar, Final

from django import forms
from django.db.models import Model
from django.urls import reverse_lazy

from config.pages import message_of
from config.refusals import RefusalError
from lots.codes import parse_code
from lots.measurements.assays import Finding
from lots.metals import Metal
from lots.models import Lot
from lots.queries.works import works_settings
from lots.services.opening import Amount
from lots.services.taking import Take
from lots.units import UNIT_NAMES, parse_decimal
from lots.written import number_and_unit, plain_number, read_mass, read_volume


class MassInput(forms.TextInput):
    """A mass on a keypad of digits, its unit beside it, its conversion below while it is typed.

    A unit typed after the number counts more than the one chosen.
    """

    template_name = "lots/widgets/mass.html"
    units: ClassVar[tuple[str, ...]] = ("g", "kg", "mg", "ozt", "dwt", "gr", "lb")

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(
            {
                "autocomplete": "off",
                "spellcheck": "false",
                "maxlength": 60,
                "inputmode": "decimal",
                "hx-get": reverse_lazy("convert-mass"),
                "hx-target": "next .conversion",
                "hx-sync": "this:replace",
                **(attrs or {}),
            }
        )

    def value_from_datadict(self, data: Any, files: Any, name: str) -> str:
        text = (data.get(name) or "").strip()
        found = number_and_unit(text)
        unit = data.get(f"{name}-unit")
        return f"{text} {unit}" if found and not found[1] and unit in self.units else text

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        found = number_and_unit(str(value or ""))
        own = found[1] if found else ""
        if found and own in self.units:
            value = found[0]
        context: dict[str, Any] = super().get_context(name, value, attrs)
        widget = context["widget"]
        widget["attrs"]["hx-trigger"] = "input changed delay:250ms, change from:next select"
        widget["attrs"]["hx-vals"] = f'{{"of": "{name}"}}'
        widget["attrs"]["hx-include"] = "next select"
        chosen = own if own in self.units else works_settings().mass_unit
        context["units"] = [(each, UNIT_NAMES[each], each == chosen) for each in self.units]
        context["as_typed"] = own in self.units
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
        return read_mass(value, field="", positive=self.positive).mass_ug


class VolumeField(RefusingField):
    """Microlitres from "850 ml" or "11.5 l"."""

    widget = forms.TextInput(
        {"autocomplete": "off", "maxlength": 40, "placeholder": "11.5 l", "spellcheck": "false"}
    )

    def read(self, value: Any) -> int:
        return read_volume(value, field="")


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
        return parse_decimal(plain_number(str(value).strip(), field=""), field="", **self.limits)


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


class RowsInput(forms.Widget):
    """Rows of a lot's code and what is said of it: of a portion, how much."""

    template_name = "lots/widgets/takes.html"
    columns: ClassVar[tuple[str, ...]] = ("lot", "portion")
    use_fieldset = True
    wide = True
    rows = 3

    def value_from_datadict(self, data: Any, files: Any, name: str) -> list[tuple[str, ...]]:
        if not hasattr(data, "getlist"):
            return [tuple(each) for each in data.get(name, [])]
        columns = [data.getlist(f"{name}-{each}") for each in self.columns]
        filled = zip_longest(*columns, fillvalue="")
        rows = [tuple(text.strip() for text in row) for row in filled]
        return [row for row in rows if any(row)]

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context(name, value, attrs)
        given = list(value or [])
        blank = ("",) * len(self.columns)
        context["rows"] = given + [blank] * max(1, self.rows - len(given))
        return context


class TakesField(RefusingField):
    """Portions of lots: all of each, or "500 g", or of a solution "2 l"."""

    widget = RowsInput

    def blank(self) -> list[Take]:
        return []

    def read(self, value: list[tuple[str, str]]) -> list[Take]:
        return [self._take(code, portion) for code, portion in value]

    def _take(self, code: str, portion: str) -> Take:
        lot = lot_by_code(code)
        if not portion:
            return Take(lot)
        if lot.is_liquid:
            return Take(lot, volume_ul=read_volume(portion, field=""))
        return Take(lot, mass_ug=read_mass(portion, field="").mass_ug)


class KeyedInput(forms.Widget):
    """One input a metal, or whatever else `names` names by its symbol.

    With `with_spread` a second one for the standard uncertainty.
    """

    template_name = "lots/widgets/by_metal.html"
    use_fieldset = True
    wide = True
    names: ClassVar[Mapping[str, str]] = {each.value: str(each.label) for each in Metal}

    def __init__(self, unit: str = "", asks: str = "result", *, with_spread: bool = False) -> None:
        super().__init__()
        self.said = {"unit": unit, "asks": asks, "with_spread": with_spread}

    def value_from_datadict(self, data: Any, files: Any, name: str) -> dict[str, tuple[str, str]]:
        found = {}
        for key in self.names:
            value = (data.get(f"{name}-{key}") or "").strip()
            spread = (data.get(f"{name}-{key}-u") or "").strip()
            if value or spread:
                found[key] = (value, spread)
        return found

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        given: Mapping[str, tuple[str, str]] = value or {}
        rows = [(key, said, *given.get(key, ("", ""))) for key, said in self.names.items()]
        return {**super().get_context(name, value, attrs), **self.said, "rows": rows}


class ByMetalField(RefusingField):
    """Figures by metal; subclasses say how one is `read_one`."""

    def blank(self) -> dict[str, Any]:
        return {}

    def read(self, value: dict[str, tuple[str, str]]) -> dict[str, Any]:
        return {metal: self.read_one(Metal(metal), *pair) for metal, pair in value.items()}

    def read_one(self, metal: Metal, figure: str, spread: str) -> Any:
        raise AssertionError(f"{type(self).__name__} reads nothing")


class FinenessField(ByMetalField):
    """Parts per thousand."""

    widget = KeyedInput("‰")

    def read_one(self, metal: Metal, figure: str, spread: str) -> Decimal:
        return parse_decimal(plain_number(figure, field=metal.label), field=metal.label)


class FindingsField(ByMetalField):
    """A laboratory's result, with its standard uncertainty."""

    widget = KeyedInput("‰ or g/L", with_spread=True)

    def read_one(self, metal: Metal, figure: str, spread: str) -> Finding:
        if not figure or not spread:
            text = f"{metal.label} needs its result and its standard uncertainty."
            raise forms.ValidationError(text, code="result_incomplete")
        return Finding(
            parse_decimal(plain_number(figure, field=metal), field=metal),
            parse_decimal(plain_number(spread, field=metal), field=metal, minimum=Decimal(0)),
        )


class MassesByMetalField(ByMetalField):
    """Masses, such as copper put in from supplies; micrograms inside."""

    widget = KeyedInput("with its unit, as in 250 g")

    def read_one(self, metal: Metal, figure: str, spread: str) -> int:
        return read_mass(figure, field=metal.label).mass_ug


class AmountsField(ByMetalField):
    """Masses, each with its standard uncertainty where it is known."""

    widget = KeyedInput("with its unit, as in 250 g", "mass", with_spread=True)

    def read_one(self, metal: Metal, figure: str, spread: str) -> Amount:
        u = read_mass(spread, field=metal.label, positive=False).mass_ug if spread else None
        return Amount(read_mass(figure, field=metal.label).mass_ug, u)


class CodeField(forms.CharField):
    """A row by its code, as typed."""

    def __init__(self, model: type[Model], **kwargs: Any) -> None:
        widget = forms.TextInput({"autocomplete": "off", "spellcheck": "false"})
        super().__init__(max_length=20, widget=widget, **kwargs)
        self.model = model

    def clean(self, value: Any) -> Any:
        code = super().clean(value).strip().upper()
        found = self.model._default_manager.filter(code=code).first()
        if code and found is None:
            named = self.model._meta.verbose_name
            raise forms.ValidationError(f"There is no {named} of this code.", code="unknown")
        return found


class RowsField(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]
    """Several rows, as a list."""

    def clean(self, value: Any) -> Any:
        return list(super().clean(value))
