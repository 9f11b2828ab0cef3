"""What a settlement would come to with other figures, side by side; nothing is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from django import forms
from django.http import HttpRequest, HttpResponse

from config.pages import show_answer
from lots.fineness import WHOLE_PPT
from lots.metals import Metal
from lots.pages.form_fields import FigureField
from lots.people.access import staff_page
from reports.assay_exchange import RULE_TEXTS
from reports.models import Settlement
from reports.pages.settlements import settlement_for
from reports.queries.lot.settlement_statement import case_of
from reports.queries.lot.what_if import SIDES, Supposed, WhatIf, what_if
from reports.settlement_lines import Case, Line
from reports.terms import MetalTerms, SettleIn, Terms, terms_as_json
from reports.terms_lines import CHARGES

_SIDE_NAMES: Final = {
    "house": "the works' result, ‰",
    "counterparty": "the customer's result, ‰",
    "umpire": "the umpire's result, ‰",
}
_METAL_TERMS: Final = {
    "percent": "accounted for, %",
    "minimum_deduction_ppt": "least deduction, ‰",
    "splitting_limit_ppt": "splitting limit, ‰",
    "refining_charge_per_ozt": "refining charge per ozt",
}
_RULE: Final = "umpire_rule"
_PER_KG: Final = "treatment_per_kg"
_TERMS: Final = {_PER_KG: "Treatment charge per kg", **CHARGES}


@dataclass(frozen=True)
class Compared:
    """One line of the two reckonings; `difference` is None where nothing changed."""

    line: Line
    before: Decimal | None
    after: Decimal | None
    difference: Decimal | None


class WhatIfForm(forms.Form):
    """Every figure begins as it was frozen; what is left or emptied stays so."""

    def __init__(self, *args: Any, settlement: Settlement, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.case = case_of(settlement)
        self.frozen: dict[str, Decimal | str | None] = {"weight_g": self.case.weight_g.value}
        self._add("weight_g", "Weight settled on, g", self.case.weight_g.value)
        for figures in self.case.metals:
            metal = figures.metal
            for side in SIDES:
                figure = getattr(figures, side)
                name = f"{metal}-{side}"
                self._add(name, f"{metal}: {_SIDE_NAMES[side]}", figure and figure.value)
            if self.case.terms.settle_in == SettleIn.MONEY:
                self._add(f"{metal}-price", f"{metal}: one price per ozt for the fixings", None)
        self._add_terms(self.case)
        if self.is_bound:
            # An address may name one figure; the others then stand as they were frozen.
            self.data = {**self.initial, **dict(self.data.items())}

    def _add(self, name: str, label: str, value: Decimal | None) -> None:
        maximum = WHOLE_PPT if label.endswith("‰") else None
        self.fields[name] = FigureField(label=label, required=False, maximum=maximum)
        self.frozen[name] = value
        if value is not None:
            self.initial[name] = f"{value.normalize():f}"

    def _add_terms(self, case: Case) -> None:
        for terms in case.terms.metals:
            for name, label in _METAL_TERMS.items():
                value = _term(terms, name)
                if value is not None:
                    self._add(f"{terms.metal}-{name}", f"{terms.metal}: {label}", value)
            if case.terms.exchanged:
                self._add_rule(terms)
        for name, label in _TERMS.items():
            if name != _PER_KG or len(case.terms.treatment) == 1:
                self._add(name, f"{label}, {case.terms.currency}", _charge(case.terms, name))

    def _add_rule(self, terms: MetalTerms) -> None:
        name = f"{terms.metal}-{_RULE}"
        rules = [(rule.value, text) for rule, text in RULE_TEXTS.items()]
        self.fields[name] = forms.ChoiceField(
            choices=rules, label=f"{terms.metal}: beyond the limit", required=False
        )
        self.fields[name].widget.wide = True
        self.frozen[name] = self.initial[name] = terms.umpire_rule.value

    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields by what they are about, for the page."""
        names = [str(each.metal) for each in self.case.metals]
        groups = [("Weight", [self["weight_g"]])]
        groups += [
            (Metal(metal).label, [self[name] for name in self.fields if name.startswith(metal)])
            for metal in names
        ]
        return [*groups, ("Charges", [self[name] for name in _TERMS if name in self.fields])]

    def supposed(self) -> Supposed:
        """What differs from what was frozen."""
        given = {
            name: value
            for name, value in self.cleaned_data.items()
            if value not in (None, "") and value != self.frozen[name]
        }
        results: dict[str, dict[str, object]] = {}
        prices: dict[str, object] = {}
        for name, value in given.items():
            metal, _, what = name.partition("-")
            if what in SIDES:
                results.setdefault(metal, {})[what] = value
            elif what == "price":
                prices[metal] = value
        return Supposed(
            results=results, prices=prices, weight_g=given.get("weight_g"), terms=self._terms(given)
        )

    def _terms(self, given: Mapping[str, Any]) -> dict[str, Any]:
        terms: dict[str, Any] = {name: f"{given[name]:f}" for name in _TERMS if name in given}
        if _PER_KG in terms:
            terms["treatment"] = [{"per_kg": terms.pop(_PER_KG)}]
        metals = terms_as_json(self.case.terms)["metals"]
        is_changed = False
        for each in metals:
            rule = given.get(f"{each['metal']}-{_RULE}")
            if rule is not None:
                is_changed = True
                each[_RULE] = rule
            for name in _METAL_TERMS:
                value = given.get(f"{each['metal']}-{name}")
                if value is not None:
                    is_changed = True
                    (each if name in each else each["accountability"][0])[name] = f"{value:f}"
        return {**terms, "metals": metals} if is_changed else terms


@staff_page
def what_if_page(request: HttpRequest, code: str) -> HttpResponse:
    """A GET throughout, so that an address holds the question and nothing can be written."""
    settlement = settlement_for(request, code)
    form = WhatIfForm(request.GET or None, settlement=settlement)
    about = {"section": "settlements", "settlement": settlement}
    return show_answer(
        request,
        "reports/what_if.html",
        form,
        lambda _data: what_if(settlement, form.supposed()),
        lambda found: {**about, "found": found, "compared": compared(found) if found else ()},
    )


def compared(found: WhatIf) -> tuple[Compared, ...]:
    """Every line of both reckonings in order, with what changed of it."""
    before = {line.key: line for line in found.before.lines}
    after = {line.key: line for line in found.after.lines}
    changed = {change.key: change.difference for change in found.changes}
    keys = list(after) + [key for key in before if key not in after]
    return tuple(
        Compared(
            line=after.get(key) or before[key],
            before=before[key].value if key in before else None,
            after=after[key].value if key in after else None,
            difference=changed.get(key),
        )
        for key in keys
    )


def _charge(terms: Terms, name: str) -> Decimal:
    charge: Decimal = terms.treatment[0].per_kg if name == _PER_KG else getattr(terms, name)
    return charge


def _term(terms: MetalTerms, name: str) -> Decimal | None:
    """A metal's term; with several tiers of accountability these are no single figures."""
    if hasattr(terms, name):
        value: Decimal = getattr(terms, name)
        return value
    if len(terms.accountability) > 1:
        return None
    tier: Decimal = getattr(terms.accountability[0], name)
    return tier
