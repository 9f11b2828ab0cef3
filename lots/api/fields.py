"""How masses, volumes and contents are written in the API, in and out."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from config.refusals import refuse
from lots.fineness import parse_fineness
from lots.measurements.assays import Finding
from lots.metals import Metal
from lots.services.opening import Amount
from lots.units import mass_to_ug, parse_decimal, parse_mass, ug_to_g, ug_to_ozt
from lots.volumes import UL_PER_UNIT, parse_volume, volume_to_ul

ID_DIGITS_MAX: Final = 18
MASS_ASKED: Final = {
    "oneOf": [
        {"type": "string", "example": "1302.4 g"},
        {
            "type": "object",
            "properties": {"value": {"type": "string"}, "unit": {"type": "string"}},
            "required": ["value", "unit"],
        },
    ]
}
VOLUME_ASKED: Final = {"oneOf": [{"type": "string", "example": "11.5 l"}, MASS_ASKED["oneOf"][1]]}
MASS: Final[dict[str, Any]] = {
    "type": "object",
    "properties": {
        "ug": {"type": "integer"},
        "g": {"type": "string", "example": "1302.400000"},
        "ozt": {"type": "string", "example": "41.873132"},
    },
    "required": ["ug", "g", "ozt"],
}
_BY_METAL: Final = {"type": "object", "additionalProperties": {"type": "string"}}


class ShownCode(serializers.SlugRelatedField[Any]):
    """As the framework's; null, in the description too, where the model allows no related row."""

    def bind(self, field_name: str, parent: Any) -> None:
        super().bind(field_name, parent)
        model: Any = getattr(getattr(parent, "Meta", None), "model", None)
        for name in (self.source or "").split(".") if model else ():
            field = model._meta.get_field(name)
            self.allow_null |= field.null
            model = field.related_model


def shown_code(slug_field: str = "code") -> ShownCode:
    """A related row on the way out, by its code."""
    return ShownCode(slug_field=slug_field, read_only=True)


@extend_schema_field(OpenApiTypes.BINARY)
class UploadField(serializers.FileField):
    """A file as uploaded; an empty one is the service's to refuse."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(allow_empty_file=True, **kwargs)


class ById(serializers.PrimaryKeyRelatedField[Any]):
    """A row on the way in by its number; one too long for any row names none."""

    def to_internal_value(self, data: Any) -> Any:
        number = str(data)
        if not number.isascii() or not number.isdigit():
            self.fail("incorrect_type", data_type=type(data).__name__)
        if len(number) > ID_DIGITS_MAX:
            self.fail("does_not_exist", pk_value="…")
        return super().to_internal_value(data)


def shown_name(source: str) -> serializers.CharField:
    """What a related row is called, or null where there is none."""
    return serializers.CharField(source=source, read_only=True, default=None, allow_null=True)


def show_mass(mass_ug: int) -> dict[str, Any]:
    """A mass in micrograms, grams (exact) and troy ounces (six decimals, half-even)."""
    return {"ug": mass_ug, "g": str(ug_to_g(mass_ug)), "ozt": str(ug_to_ozt(mass_ug))}


def show_metals(metals: Mapping[str, int]) -> dict[str, dict[str, Any]]:
    """Masses by metal, in the books' order of metals."""
    return {metal: show_mass(metals[metal]) for metal in Metal.values if metal in metals}


@extend_schema_field({"type": "string", "example": "31.25"})
class ExactField(serializers.Field):  # type: ignore[type-arg]
    """A decimal figure exactly as it is sent, text or a JSON number; `limits` as `parse_decimal`.

    The framework's own field pads with noughts, and so hides how many decimals were given.
    """

    _NOT_LIMITS = frozenset({"help_text", "required", "allow_null", "default"})

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{name: kwargs[name] for name in self._NOT_LIMITS & kwargs.keys()})
        self.limits = {name: kwargs[name] for name in kwargs.keys() - self._NOT_LIMITS}

    def to_internal_value(self, data: Any) -> Decimal:
        return parse_decimal(data, field=full_name(self), **self.limits)

    def to_representation(self, value: Decimal) -> str:
        return f"{value:f}"


class PartsField(ExactField):
    """Parts per thousand, from nought to all of it."""

    def to_internal_value(self, data: Any) -> Decimal:
        return parse_fineness(data, field=full_name(self))


@extend_schema_field(MASS_ASKED)
class MassField(serializers.Field):  # type: ignore[type-arg]
    """A mass with its unit, "41.87 ozt" or {"value": "41.87", "unit": "ozt"}; micrograms inside."""

    def __init__(self, *, positive: bool = True, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.positive = positive

    def to_internal_value(self, data: Any) -> int:
        name = full_name(self)
        if isinstance(data, Mapping):
            unknown = set(data) - {"value", "unit"}
            if unknown or "value" not in data or "unit" not in data:
                raise refuse("mass_incomplete", field=name, value=dict(data))
            return mass_to_ug(data["value"], data["unit"], field=name, positive=self.positive)
        return parse_mass(data, field=name, positive=self.positive).mass_ug

    def to_representation(self, value: int) -> dict[str, Any]:
        return show_mass(value)


@extend_schema_field(MASS)
class ShownMass(serializers.Field):  # type: ignore[type-arg]
    """A mass on the way out."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(read_only=True, **kwargs)

    def to_representation(self, value: int) -> dict[str, Any]:
        return show_mass(value)


@extend_schema_field({"type": "object", "additionalProperties": MASS})
class ShownMetals(serializers.Field):  # type: ignore[type-arg]
    """Masses by metal on the way out."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(read_only=True, **kwargs)

    def to_representation(self, value: Mapping[str, int]) -> dict[str, Any]:
        return show_metals(value)


@extend_schema_field(VOLUME_ASKED)
class VolumeField(serializers.Field):  # type: ignore[type-arg]
    """A volume, "850 ml" or {"value": "0.85", "unit": "l"}; microlitres inside."""

    def to_internal_value(self, data: Any) -> int:
        name = full_name(self)
        if isinstance(data, Mapping):
            return volume_to_ul(data.get("value"), data.get("unit"), field=name)
        return parse_volume(data, field=name)

    def to_representation(self, value: int) -> dict[str, Any]:
        return show_volume(value)


def show_volume(volume_ul: int) -> dict[str, Any]:
    """A volume in microlitres and litres."""
    return {"ul": volume_ul, "l": str(Decimal(volume_ul) / UL_PER_UNIT["l"])}


@extend_schema_field(_BY_METAL)
class ByMetalField(serializers.Field):  # type: ignore[type-arg]
    """Decimal figures keyed by metal, such as {"Ag": "925", "Cu": "70"}; checked by the service."""

    def to_internal_value(self, data: Any) -> dict[str, Decimal]:
        name = full_name(self)
        if not isinstance(data, Mapping) or len(data) > len(Metal.values):
            raise refuse("not_by_metal", field=name, value=data)
        for metal in data:
            if metal not in Metal.values:
                raise refuse(
                    "unknown_metal:fields",
                    field=f"{name}.{str(metal)[:20]}",
                    value=metal,
                    metal=", ".join(Metal.values),
                )
        return {
            metal: parse_decimal(value, field=f"{name}.{metal}") for metal, value in data.items()
        }

    def to_representation(self, value: Mapping[str, Decimal]) -> dict[str, str]:
        return {metal: str(figure) for metal, figure in value.items()}


@extend_schema_field({"type": "object", "additionalProperties": MASS_ASKED})
class MassesByMetalField(serializers.Field):  # type: ignore[type-arg]
    """Masses keyed by metal, such as {"Cu": "250 g"}; micrograms inside."""

    def to_internal_value(self, data: Any) -> dict[str, int]:
        name = full_name(self)
        if not isinstance(data, Mapping) or not set(data) <= set(Metal.values):
            raise refuse("not_by_metal:fields", field=name, value=data)
        masses = {}
        for metal, value in data.items():
            field = MassField(positive=False)
            field.bind(metal, self)  # type: ignore[arg-type]
            masses[metal] = field.to_internal_value(value)
        return masses

    def to_representation(self, value: Mapping[str, int]) -> dict[str, Any]:
        return show_metals(value)


def full_name(field: serializers.Field) -> str:  # type: ignore[type-arg]
    """The field's dotted name in the request, as refusals print it."""
    parts: list[str] = []
    current: Any = field
    while current is not None:
        if current.field_name:
            parts.append(str(current.field_name))
        current = current.parent
    return ".".join(reversed(parts))


def by_code(model: type[Any], **kwargs: Any) -> serializers.SlugRelatedField[Any]:
    """A field that names a row by its code."""
    return serializers.SlugRelatedField(slug_field="code", queryset=model.objects.all(), **kwargs)


@extend_schema_field(
    {
        "type": "object",
        "properties": {"value": {"type": "string"}, "standard_uncertainty": {"type": "string"}},
        "required": ["value", "standard_uncertainty"],
    }
)
class FindingField(serializers.Field):  # type: ignore[type-arg]
    """One metal's result: {"value": "924.6", "standard_uncertainty": "0.4"}."""

    def to_internal_value(self, data: Any) -> Finding:
        name = full_name(self)
        if not isinstance(data, Mapping) or set(data) != {"value", "standard_uncertainty"}:
            raise refuse("result_incomplete", field=name, value=data)
        return Finding(
            value=parse_decimal(data["value"], field=name, decimals_max=6),
            standard_uncertainty=parse_decimal(
                data["standard_uncertainty"],
                field=f"{name}.standard_uncertainty",
                minimum=Decimal(0),
                decimals_max=6,
            ),
        )

    def to_representation(self, value: Finding) -> dict[str, str]:
        return {
            "value": str(value.value),
            "standard_uncertainty": str(value.standard_uncertainty),
        }


@extend_schema_field({"type": "string"})
class ByLot(serializers.SlugRelatedField[Any]):
    """A row by its lot's code."""


class _Amounts(serializers.ListSerializer[Any]):
    def to_internal_value(self, data: Any) -> Any:
        rows = super().to_internal_value(data)
        return {
            each["metal"]: Amount(each["mass"], each.get("standard_uncertainty")) for each in rows
        }


class AmountInput(serializers.Serializer[Any]):
    """A mass of one metal, with its standard uncertainty where it is known."""

    metal = serializers.ChoiceField(choices=Metal.choices)
    mass = MassField()
    standard_uncertainty = MassField(positive=False, required=False)

    class Meta:
        list_serializer_class = _Amounts


class SeveralField(serializers.MultipleChoiceField):
    """Several of a list, in order and each once."""

    def to_internal_value(self, data: Any) -> Any:
        return sorted(super().to_internal_value(data))
