"""Reckons a settlement line by line: weight, agreed assay, payable metal, charges, balance due.

Every line has its inputs as lines of their own, one formula over them, its rounding and what it
rests on. Decimals throughout; halves are rounded away from zero, as a spreadsheet's ROUND does.
The shape of the reckoning is common practice, no source; the contract decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

from config.refusals import ConflictError
from lots.units import UG_PER_G, UG_PER_OZT
from reports.assay_exchange import (
    Branch,
    Exchange,
    FeePayer,
    Outcome,
    exchange_formula,
    settle_exchange,
)
from reports.formulas import evaluate, with_names_replaced
from reports.settlement_lines import Case, Evidence, Figure, Line, MetalFigures, Statement
from reports.terms import (
    AccountTier,
    MetalTerms,
    PriceBasis,
    SettleIn,
    TreatmentTier,
    WeightBasis,
)

SIGNS: Final = (
    "Money: positive is due to the customer, negative is charged to the customer. Metal: positive "
    "is payable to the customer."
)
ROUNDING: Final = (
    "Every rounding is stated at its line; halves are rounded away from zero. ‰ is parts per "
    "thousand by mass."
)
DEFERENCE: Final = (
    "Terms of the contract and local law decide. Tax is left to the parties; this statement works "
    "out none."
)
G_PER_OZT: Final = UG_PER_OZT / UG_PER_G
PPT: Final = "‰"
MASS_DECIMALS: Final = 6
CHARGES: Final = "Charges"
BALANCE: Final = "Balance"


def settle(case: Case) -> Statement:
    """The statement of one lot.

    Raises ConflictError `moisture_missing`, `result_missing`, `umpire_needed`, `price_missing`,
    `impurity_missing`, naming what is missing. A provisional settlement goes on with what was
    declared where that is given, else with the house's result alone, or with the lower of the two
    while the umpire's is awaited.
    """
    sheet = _Sheet(case)
    _weight(sheet)
    payable: dict[str, int] = {}
    outcomes: dict[str, Outcome] = {}
    figures = {each.metal: each for each in case.metals}
    for terms in case.terms.metals:
        given = figures.get(terms.metal, MetalFigures(terms.metal))
        outcomes[terms.metal] = _agreed(sheet, terms, given)
        payable[terms.metal] = _payable(sheet, terms)
        _value(sheet, terms, given)
    _treatment(sheet)
    _penalties(sheet)
    _fees(sheet, list(outcomes.values()))
    total = _balance(sheet)
    return Statement(
        lines=tuple(sheet.lines),
        payable_ug=payable,
        total=total,
        currency=case.terms.currency,
        branches={metal: outcome.branch for metal, outcome in outcomes.items()},
    )


def tier_of(tiers: Sequence[AccountTier], agreed_ppt: Decimal) -> AccountTier:
    """The last tier that begins at or below the grade."""
    return [tier for tier in tiers if tier.from_ppt <= agreed_ppt][-1]


def treatment_tier(tiers: Sequence[TreatmentTier], weight_kg: Decimal) -> TreatmentTier:
    """The last tier that begins at or below the weight."""
    return [tier for tier in tiers if tier.from_kg <= weight_kg][-1]


class _Sheet:
    """The lines so far, and their values by key for the formulas that follow."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.lines: list[Line] = []
        self.values: dict[str, Decimal] = {}
        self.money_keys: list[str] = []

    def given(self, key: str, section: str, label: str, figure: Figure, unit: str) -> None:
        self._add(Line(key, section, label, figure.value, unit, evidence=figure.evidence))

    def term(self, key: str, section: str, label: str, value: Decimal, unit: str) -> None:
        self.given(
            key, section, label, Figure(value, (Evidence("term", key, "By the terms"),)), unit
        )

    def reckoned(
        self, key: str, section: str, label: str, formula: str, unit: str, *, note: str = ""
    ) -> Decimal:
        value = evaluate(formula, self.values)
        self._add(Line(key, section, label, value, unit, formula, _rounding(value, unit), note))
        return value

    def money(self, key: str, section: str, label: str, formula: str, *, note: str = "") -> None:
        rounded = f"ROUND({formula},{self.case.terms.rounding.money})"
        self.reckoned(key, section, label, rounded, self.case.terms.currency, note=note)
        self.money_keys.append(key)

    def _add(self, line: Line) -> None:
        assert line.key not in self.values, f"two lines are called {line.key}"
        self.lines.append(line)
        self.values[line.key] = line.value


def _weight(sheet: _Sheet) -> None:
    case = sheet.case
    if case.terms.weight_basis != WeightBasis.RECEIVED_DRY:
        sheet.given("weight", "Weight", "Weight settled on", case.weight_g, "g")
        return
    if case.moisture_ppt is None:
        message = "The terms settle on the dry weight, and the moisture is not given."
        raise _missing("moisture_missing", "moisture_ppt", message)
    sheet.given("received", "Weight", "Weight received", case.weight_g, "g")
    sheet.given("moisture", "Weight", "Moisture", case.moisture_ppt, PPT)
    formula = f"ROUND(received*(1000-moisture)/1000,{MASS_DECIMALS})"
    sheet.reckoned("weight", "Weight", "Weight settled on, dry", formula, "g")


def _agreed(sheet: _Sheet, terms: MetalTerms, given: MetalFigures) -> Outcome:
    metal = terms.metal
    decimals = sheet.case.terms.rounding.assay_ppt
    if given.declared is not None and sheet.case.is_provisional:
        sheet.given(f"{metal}_declared", metal, "Declared", given.declared, PPT)
        formula = f"ROUND({metal}_declared,{decimals})"
        note = "Until the customer's own result is recorded, the declared content stands."
        settled = sheet.reckoned(
            f"{metal}_agreed", metal, "Result settled on", formula, PPT, note=note
        )
        return Outcome(settled, Branch.SOLE, FeePayer.NOBODY, formula, note)
    if given.house is None:
        raise _missing("result_missing", f"assays.{metal}", f"The house has no result for {metal}.")
    other = given.counterparty if sheet.case.terms.exchanged else None
    if other is None and sheet.case.terms.exchanged and not sheet.case.is_provisional:
        raise _missing(
            "result_missing", f"assays.{metal}", f"The customer's result for {metal} is missing."
        )
    exchange = Exchange(
        given.house.value,
        other.value if other else None,
        terms.splitting_limit_ppt,
        terms.umpire_rule,
        given.umpire.value if given.umpire else None,
        decimals,
    )
    outcome = settle_exchange(exchange)
    sheet.given(f"{metal}_house", metal, "House's result", given.house, PPT)
    if other is None:
        formula = f"ROUND(house,{decimals})"
    else:
        sheet.given(f"{metal}_counterparty", metal, "Customer's result", other, PPT)
        limit = terms.splitting_limit_ppt
        sheet.term(f"{metal}_limit", metal, "Splitting limit", limit, PPT)
        if given.umpire is not None:
            sheet.given(f"{metal}_umpire", metal, "Umpire's result", given.umpire, PPT)
        formula = exchange_formula(exchange)
    note = outcome.explanation
    if outcome.branch == Branch.UMPIRE_NEEDED:
        if not sheet.case.is_provisional:
            raise _missing("umpire_needed", f"assays.{metal}", outcome.explanation)
        formula = f"ROUND(MIN(house,counterparty),{decimals})"
        note = f"{outcome.explanation} Until then the lower result stands."
    names = {name: f"{metal}_{name}" for name in ("house", "counterparty", "umpire", "limit")}
    formula = with_names_replaced(formula, names)
    sheet.reckoned(f"{metal}_agreed", metal, "Result settled on", formula, PPT, note=note)
    return outcome


def _payable(sheet: _Sheet, terms: MetalTerms) -> int:
    """The lines from content to payable metal; returns micrograms."""
    metal, rounding = terms.metal, sheet.case.terms.rounding
    agreed = f"{metal}_agreed"
    sheet.reckoned(
        f"{metal}_contained", metal, "Content", f"ROUND(weight*{agreed}/1000,{MASS_DECIMALS})", "g"
    )
    tier = tier_of(terms.accountability, sheet.values[agreed])
    grade = f" (from {tier.from_ppt:f} ‰)" if len(terms.accountability) > 1 else ""
    sheet.term(f"{metal}_percent", metal, f"Accounted for{grade}", tier.percent, "%")
    sheet.term(
        f"{metal}_deduction", metal, f"Least deduction{grade}", tier.minimum_deduction_ppt, PPT
    )
    sheet.reckoned(
        f"{metal}_payable_ppt",
        metal,
        "Payable content",
        f"ROUND(MAX(0,MIN({agreed}*{metal}_percent/100,{agreed}-{metal}_deduction)),"
        f"{rounding.payable_ppt})",
        PPT,
    )
    payable_g = sheet.reckoned(
        f"{metal}_payable_g",
        metal,
        "Payable metal",
        f"ROUND(weight*{metal}_payable_ppt/1000,{MASS_DECIMALS})",
        "g",
    )
    sheet.reckoned(
        f"{metal}_payable_ozt",
        metal,
        "Payable metal in troy ounces",
        f"ROUND({metal}_payable_g/{G_PER_OZT},{rounding.ounces})",
        "ozt",
    )
    return int(payable_g * UG_PER_G)


def _value(sheet: _Sheet, terms: MetalTerms, given: MetalFigures) -> None:
    """Refining charge, and in a money settlement the price and the value."""
    metal, contract = terms.metal, sheet.case.terms
    per_ozt = f"{contract.currency}/ozt"
    if contract.settle_in == SettleIn.MONEY:
        if not given.fixings:
            raise _missing("price_missing", f"prices.{metal}", f"There is no price for {metal}.")
        names = [f"{metal}_fixing_{number}" for number in range(1, len(given.fixings) + 1)]
        for name, fixing in zip(names, given.fixings, strict=True):
            label = f"Fixing {fixing.evidence[0].text}" if fixing.evidence else "Fixing"
            sheet.given(name, metal, label, fixing, per_ozt)
        is_average = contract.price_basis == PriceBasis.AVERAGE
        sheet.reckoned(
            f"{metal}_price",
            metal,
            "Price, average of the fixings" if is_average else "Price",
            f"ROUND(AVERAGE({','.join(names)}),{contract.rounding.price})",
            per_ozt,
        )
        sheet.money(f"{metal}_value", metal, "Value", f"{metal}_payable_ozt*{metal}_price")
    if terms.refining_charge_per_ozt:
        rate = f"{metal}_refining_rate"
        sheet.term(rate, metal, "Refining charge", terms.refining_charge_per_ozt, per_ozt)
        sheet.money(f"{metal}_refining", metal, "Refining charge", f"-({metal}_payable_ozt*{rate})")


def _treatment(sheet: _Sheet) -> None:
    terms = sheet.case.terms
    if not terms.treatment and not terms.treatment_minimum:
        return
    weight_kg = sheet.values["weight"] / 1000
    rate = treatment_tier(terms.treatment, weight_kg).per_kg if terms.treatment else Decimal(0)
    sheet.term("treatment_rate", CHARGES, "Treatment charge", rate, f"{terms.currency}/kg")
    minimum = terms.treatment_minimum
    sheet.term("treatment_minimum", CHARGES, "Least treatment charge", minimum, terms.currency)
    formula = "-MAX(treatment_minimum,weight/1000*treatment_rate)"
    sheet.money("treatment", CHARGES, "Treatment charge", formula)


def _penalties(sheet: _Sheet) -> None:
    currency = sheet.case.terms.currency
    for number, penalty in enumerate(sheet.case.terms.penalties, start=1):
        found = sheet.case.impurities_ppt.get(penalty.element)
        if found is None:
            raise _missing(
                "impurity_missing",
                f"impurities.{penalty.element}",
                f"The terms penalise {penalty.element}, and no result for it is given.",
            )
        name, key = penalty.element, f"penalty_{number}"
        sheet.given(f"{key}_content", CHARGES, f"{name} found", found, PPT)
        sheet.term(f"{key}_limit", CHARGES, f"{name} free up to", penalty.limit_ppt, PPT)
        unit = f"{currency} per ‰ and kg"
        sheet.term(f"{key}_rate", CHARGES, f"Penalty for {name}", penalty.per_ppt_and_kg, unit)
        formula = f"-(MAX(0,{key}_content-{key}_limit)*{key}_rate*weight/1000)"
        sheet.money(key, CHARGES, f"Penalty for {name}", formula)


def _fees(sheet: _Sheet, outcomes: Sequence[Outcome]) -> None:
    terms = sheet.case.terms
    if terms.assay_fee:
        sheet.term("assay_fee_rate", CHARGES, "Assay fee", terms.assay_fee, terms.currency)
        sheet.money("assay_fee", CHARGES, "Assay fee", "-assay_fee_rate")
    payers = [each.fee_payer for each in outcomes if each.fee_payer != FeePayer.NOBODY]
    if not payers or not terms.umpire_fee:
        return
    # One fee an umpired metal; the customer's part of them all is one line.
    part = {FeePayer.COUNTERPARTY: Decimal(1), FeePayer.SHARED: Decimal("0.5")}
    share = sum((part.get(payer, Decimal(0)) for payer in payers), Decimal(0))
    sheet.term("umpire_fee_rate", CHARGES, "Umpire's fee a metal", terms.umpire_fee, terms.currency)
    sheet.given("umpire_fee_share", CHARGES, "Fees the customer bears", Figure(share), "fees")
    note = "The party further from the umpire's result pays; equally far, both by halves."
    sheet.money(
        "umpire_fee", CHARGES, "Umpire's fee", "-(umpire_fee_rate*umpire_fee_share)", note=note
    )


def _balance(sheet: _Sheet) -> Decimal:
    terms = sheet.case.terms
    if sheet.case.tax is not None:
        sheet.given("tax", BALANCE, "Tax, as the user entered it", sheet.case.tax, terms.currency)
        sheet.money_keys.append("tax")
    total = "+".join(sheet.money_keys) or "0"
    if not sheet.case.is_provisional or terms.provisional_percent == 100:
        formula = f"ROUND({total},{terms.rounding.money})"
        return sheet.reckoned("total", BALANCE, "Balance due", formula, terms.currency)
    sheet.reckoned("full", BALANCE, "Worked out in full", total, terms.currency)
    percent = terms.provisional_percent
    sheet.term("provisional_percent", BALANCE, "Paid for the time being", percent, "%")
    formula = f"ROUND(full*provisional_percent/100,{terms.rounding.money})"
    return sheet.reckoned("total", BALANCE, "Provisional balance due", formula, terms.currency)


def _rounding(value: Decimal, unit: str) -> str:
    step = Decimal(1).scaleb(int(value.as_tuple().exponent))
    return f"to {step:f} {unit}, halves away from zero"


def _missing(code: str, name: str, message: str) -> ConflictError:
    return ConflictError(
        message, code=code, field=name, remedy="Record it first, or settle provisionally."
    )
