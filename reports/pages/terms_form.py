"""The form in which a customer's terms are written down, and how terms fill it in."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from django import forms

from config.pages import message_of
from config.refusals import RefusalError
from lots.metals import Metal
from lots.models import Lot
from lots.pages.bench_form import ActForm, choice_field
from lots.pages.form_fields import FigureField
from reports.assay_exchange import RULE_TEXTS, UmpireRule
from reports.terms import (
    DECIMALS_MAX,
    PriceBasis,
    Rounding,
    SettleIn,
    Terms,
    parse_terms,
)
from reports.terms_lines import CHARGES, SAMPLED, WEIGHED

ROUNDINGS: Final = {
    "assay_ppt": "the result settled on, ‰",
    "payable_ppt": "the payable content, ‰",
    "ounces": "troy ounces",
    "price": "the price",
    "money": "money",
}
_CHOSEN: Final = ("currency", "settle_in", "weight_basis", "sampling_basis", "price_basis")


def _lines_field(label: str, help_text: str) -> forms.CharField:
    widget = forms.Textarea({"rows": 2, "spellcheck": "false"})
    return forms.CharField(
        label=label, help_text=help_text, required=False, max_length=800, widget=widget
    )


def _figure(label: str, **kwargs: Any) -> FigureField:
    return FigureField(label=label, required=False, **kwargs)


class TermsForm(ActForm):
    """All of a contract's terms. Tiers and penalties are written a line each."""

    form = choice_field(
        [("", "all forms"), *Lot.Form.choices], label="For", initial="", required=False
    )
    valid_from = forms.DateField(
        label="For lots received from",
        help_text="Settlements made already keep their terms.",
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
    )
    currency = forms.CharField(max_length=3, help_text="Three capital letters, as in EUR.")
    settle_in = choice_field(
        [(SettleIn.METAL, "metal"), (SettleIn.MONEY, "money")], label="Settled in", initial="metal"
    )
    weight_basis = choice_field(WEIGHED.items(), label="Weight settled on", initial="received")
    sampling_basis = choice_field(SAMPLED.items(), label="Sample whose assay counts", initial="any")
    exchanged = forms.BooleanField(label="Assays are exchanged with the customer", required=False)
    treatment = _lines_field("Treatment charge", "A line a tier: from kg, charge per kg: 0 41.30")
    penalties = _lines_field(
        "Penalties", "A line an element: free up to ‰, charge per ‰ and kg: Bi 0.5 1.20"
    )
    price_basis = choice_field(
        [(PriceBasis.DAY, "of one day"), (PriceBasis.AVERAGE, "mean of a period's fixings")],
        label="Price",
        initial="day",
    )
    days_after_receipt = forms.IntegerField(label="It begins days after receipt", required=False)
    days = forms.IntegerField(label="Days of the period", required=False)
    provisional_percent = _figure("Paid by a provisional settlement, %", maximum=Decimal(100))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["occurred_at"].widget = forms.HiddenInput()
        for name, label in CHARGES.items():
            self.fields[name] = _figure(label)
        for name, label in ROUNDINGS.items():
            self.fields[f"rounding_{name}"] = forms.IntegerField(
                label=f"Decimals of {label}",
                initial=getattr(Rounding(), name),
                min_value=0,
                max_value=DECIMALS_MAX,
            )
        for metal in Metal:
            self._add_metal(metal)
        self.terms: Terms | None = None

    def _add_metal(self, metal: Metal) -> None:
        rules = [(rule.value, RULE_TEXTS[rule]) for rule in UmpireRule]
        self.fields[f"{metal}-settled"] = forms.BooleanField(
            label=f"{metal.label} is settled", required=False
        )
        self.fields[f"{metal}-accountability"] = _lines_field(
            f"{metal}: accounted for",
            "A line a tier: from ‰, per cent, least deduction in ‰: 0 99 0.5",
        )
        self.fields[f"{metal}-splitting_limit_ppt"] = _figure(f"{metal}: splitting limit, ‰")
        rule = choice_field(rules, label=f"{metal}: beyond it", initial=UmpireRule.MIDDLE)
        rule.widget.wide = True
        self.fields[f"{metal}-umpire_rule"] = rule
        self.fields[f"{metal}-refining_charge_per_ozt"] = _figure(
            f"{metal}: refining charge per ozt payable"
        )

    def groups(self) -> list[tuple[str, bool, list[forms.BoundField]]]:
        """The fields by what they are about: heading, whether it stands open, and the fields."""
        plain = [
            ("When they hold", ["form", "valid_from", "note"]),
            (
                "What is settled",
                ["settle_in", "currency", "weight_basis", "sampling_basis", "exchanged"],
            ),
            ("Charges", ["treatment", *CHARGES, "penalties"]),
            ("Price", ["price_basis", "days_after_receipt", "days", "provisional_percent"]),
        ]
        found = [(heading, True, [self[name] for name in names]) for heading, names in plain]
        for metal in Metal:
            fields = [self[name] for name in self.fields if name.startswith(f"{metal}-")]
            is_open = bool(fields[0].value()) or any(each.errors for each in fields)
            found.insert(-2, (metal.label, is_open, fields))
        rounding = [self[f"rounding_{name}"] for name in ROUNDINGS]
        return [*found, ("Rounding", any(each.errors for each in rounding), rounding)]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or self.cleaned_data
        if not self.errors:
            try:
                self.terms = parse_terms(self.content())
            except RefusalError as refusal:
                error = forms.ValidationError(message_of(refusal), code=refusal.code)
                self.add_error(self._field_of(refusal.field or ""), error)
        return data

    def content(self) -> dict[str, Any]:
        """The terms as plain data; what is left empty is left out."""
        data = self.cleaned_data
        numbers = (*CHARGES, "provisional_percent")
        return {
            **{name: data[name] for name in _CHOSEN},
            "exchanged": data["exchanged"],
            **{name: f"{data[name]:f}" for name in numbers if data[name] is not None},
            "metals": [self._metal(metal) for metal in self.settled()],
            "treatment": _rows(data["treatment"], ("from_kg", "per_kg")),
            "penalties": _rows(data["penalties"], ("element", "limit_ppt", "per_ppt_and_kg")),
            "period": {
                name: str(data[name])
                for name in ("days_after_receipt", "days")
                if data[name] is not None
            },
            "rounding": {name: str(data[f"rounding_{name}"]) for name in ROUNDINGS},
        }

    def settled(self) -> list[Metal]:
        return [metal for metal in Metal if self.cleaned_data[f"{metal}-settled"]]

    def _metal(self, metal: Metal) -> dict[str, Any]:
        data = self.cleaned_data
        names = ("splitting_limit_ppt", "refining_charge_per_ozt")
        tiers = ("from_ppt", "percent", "minimum_deduction_ppt")
        return {
            "metal": metal.value,
            "umpire_rule": data[f"{metal}-umpire_rule"],
            "accountability": _rows(data[f"{metal}-accountability"], tiers),
            **{
                name: f"{data[f'{metal}-{name}']:f}"
                for name in names
                if data[f"{metal}-{name}"] is not None
            },
        }

    def _field_of(self, path: str) -> str | None:
        """The form's field for a path such as `terms.metals.0.accountability.1.percent`."""
        parts = path.split(".")[1:]
        if parts[:1] == ["metals"] and len(parts) > 2:
            name = f"{self.settled()[int(parts[1])]}-{parts[2]}"
        elif parts[:1] == ["rounding"]:
            name = f"rounding_{parts[1]}"
        else:
            name = parts[1] if parts[:1] == ["period"] else parts[0] if parts else ""
        if name == "metals":
            name = f"{Metal.AG}-settled"
        return name if name in self.fields else None


def _rows(text: str, names: tuple[str, ...]) -> list[dict[str, str]]:
    """One object a line; what is left out takes the plainest value, what is too much is refused."""
    rows = []
    for words in filter(None, map(str.split, text.splitlines())):
        row = dict(zip(names, words, strict=False))
        more = " ".join(words[len(names) :])
        rows.append({**row, "more": more} if more else row)
    return rows


def filled_in(terms: Terms) -> dict[str, Any]:
    """What the form begins with when it is filled in from a version before."""
    initial: dict[str, Any] = {
        **{name: getattr(terms, name) for name in _CHOSEN},
        "exchanged": terms.exchanged,
        "treatment": _text((tier.from_kg, tier.per_kg) for tier in terms.treatment),
        "penalties": _text(
            (each.element, each.limit_ppt, each.per_ppt_and_kg) for each in terms.penalties
        ),
        "days_after_receipt": terms.period.days_after_receipt,
        "days": terms.period.days,
        "provisional_percent": _plain(terms.provisional_percent),
        **{name: _plain(getattr(terms, name)) for name in CHARGES},
        **{f"rounding_{name}": getattr(terms.rounding, name) for name in ROUNDINGS},
    }
    for each in terms.metals:
        initial |= {
            f"{each.metal}-settled": True,
            f"{each.metal}-accountability": _text(
                (tier.from_ppt, tier.percent, tier.minimum_deduction_ppt)
                for tier in each.accountability
            ),
            f"{each.metal}-splitting_limit_ppt": _plain(each.splitting_limit_ppt),
            f"{each.metal}-umpire_rule": each.umpire_rule,
            f"{each.metal}-refining_charge_per_ozt": _plain(each.refining_charge_per_ozt),
        }
    return initial


def _text(rows: Any) -> str:
    return "\n".join(" ".join(_plain(each) for each in row) for row in rows)


def _plain(value: Any) -> str:
    return f"{value.normalize():f}" if isinstance(value, Decimal) else str(value)
