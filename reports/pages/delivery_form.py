"""The form a delivery is noted by: who it goes to, and each lot with its weighing at the door."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from lots.measurements.weighings import Weight
from lots.models import Balance, DeliveryNote, Lot
from lots.pages.bench_form import ActForm, choice_field, party_field
from lots.pages.form_fields import RefusingField, RowsInput, lot_by_code
from lots.services.delivery import CARRIER_MAX, Delivered
from lots.written import read_mass

Row = tuple[str, str, str]


@dataclass(frozen=True)
class AtTheDoor:
    """One lot of the form; `gross_ug` None: not weighed at the door."""

    lot: Lot
    gross_ug: int | None
    tare_ug: int
    entered_as: str


class WideText(forms.TextInput):
    wide = True


class DoorInput(RowsInput):
    """Whole lots and, when they were weighed at the door, gross and tare."""

    template_name = "reports/widgets/door.html"
    columns = ("lot", "gross", "tare")


class DoorField(RefusingField):
    """Whole lots, each with its weighing at the door, if any."""

    widget = DoorInput

    def blank(self) -> list[AtTheDoor]:
        return []

    def read(self, value: Sequence[Row]) -> list[AtTheDoor]:
        return [self._read(*row) for row in value]

    def _read(self, code: str, gross: str, tare: str) -> AtTheDoor:
        lot = lot_by_code(code)
        gross_ug = read_mass(gross, field="gross").mass_ug if gross else None
        tare_ug = read_mass(tare, field="tare", positive=False).mass_ug if tare else 0
        if tare and gross_ug is None:
            text = f"Lot {lot.code} has a tare and no gross weight."
            raise forms.ValidationError(text, code="required")
        return AtTheDoor(lot, gross_ug, tare_ug, gross[:80])


class DeliveryForm(ActForm):
    kind = choice_field(
        (
            (DeliveryNote.Kind.RETURN, "Return: the customer's own, or what they are owed"),
            (
                DeliveryNote.Kind.SHIPMENT,
                "Shipment: sold, or sent to a laboratory or another works",
            ),
        ),
        label="What kind of delivery",
    )
    party = party_field(("customer", "supplier", "laboratory"), label="Who it goes to")
    carrier = forms.CharField(
        label="Carrier, packages and seals",
        max_length=CARRIER_MAX,
        required=False,
        help_text="Who takes it, how many packages, and the numbers of their seals.",
        widget=WideText({"autocomplete": "off"}),
    )
    lots = DoorField(
        label="Lots that leave",
        help_text="Whole lots: split one first to send a part. Gross and tare only if weighed at "
        "the door, with their unit.",
    )
    balance = forms.ModelChoiceField(
        Balance.objects.filter(is_active=True),
        label="Balance at the door",
        required=False,
        help_text="For the rows with a gross weight.",
    )
    field_order = ["kind", "party", "carrier", "lots", "balance"]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or self.cleaned_data
        is_weighed = any(each.gross_ug is not None for each in data.get("lots", ()))
        if is_weighed and not data.get("balance") and "balance" not in self.errors:
            why = "Name the balance it was weighed on."
            self.add_error("balance", forms.ValidationError(why, code="required"))
        return data

    def items(self) -> list[Delivered]:
        return [Delivered(each.lot, self._weight(each)) for each in self.cleaned_data["lots"]]

    def _weight(self, each: AtTheDoor) -> Weight | None:
        if each.gross_ug is None:
            return None
        balance = self.cleaned_data["balance"]
        return Weight(each.gross_ug, each.tare_ug, balance, each.entered_as)
