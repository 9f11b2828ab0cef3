"""Formulas that a spreadsheet, a reader and this program work out alike.

One text, such as `ROUND(weight*Ag_agreed/1000,6)`, is evaluated here in decimals, becomes a cell's
live formula by putting cell references for its names, and is printed with its figures put in.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Mapping
from decimal import ROUND_HALF_UP, Context, Decimal, localcontext
from statistics import median
from typing import Final

_EXACT: Final = Context(prec=60, rounding=ROUND_HALF_UP)
_NAME: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def _round(value: Decimal, decimals: Decimal) -> Decimal:
    """Halves away from zero, as a spreadsheet's ROUND does."""
    return value.quantize(Decimal(1).scaleb(-int(decimals)), rounding=ROUND_HALF_UP)


_FUNCTIONS: Final[Mapping[str, Callable[..., Decimal]]] = {
    "ABS": abs,
    "AVERAGE": lambda *values: sum(values, Decimal(0)) / len(values),
    "MAX": max,
    "MEDIAN": lambda *values: Decimal(median(values)),
    "MIN": min,
    "ROUND": _round,
    "SUM": lambda *values: sum(values, Decimal(0)),
}
_OPERATORS: Final[Mapping[type[ast.AST], Callable[[Decimal, Decimal], Decimal]]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
}
_COMPARISONS: Final[Mapping[type[ast.AST], Callable[[Decimal, Decimal], bool]]] = {
    ast.Lt: lambda a, b: a < b,
    ast.LtE: lambda a, b: a <= b,
}


def evaluate(formula: str, values: Mapping[str, Decimal]) -> Decimal:
    """The formula's value in decimals of sixty digits.

    Knows + - * /, < and <=, ABS, AVERAGE, IF, MAX, MEDIAN, MIN, ROUND (halves away from zero) and
    SUM. Raises ValueError for anything else, KeyError for a name without a value: both are our own
    mistakes, since no formula comes from a user.
    """
    with localcontext(_EXACT):
        return _value(ast.parse(formula, mode="eval").body, values)


def with_names_replaced(formula: str, texts: Mapping[str, str]) -> str:
    """The formula with each name that `texts` knows replaced, such as by a cell reference."""
    return _NAME.sub(lambda match: texts.get(match[0], match[0]), formula)


def _value(node: ast.expr, values: Mapping[str, Decimal]) -> Decimal:
    match node:
        case ast.Constant(value=int() | float() as number):
            return Decimal(str(number))
        case ast.Name(id=name):
            return values[name]
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return -_value(operand, values)
        case ast.BinOp(left=left, op=operator, right=right):
            if type(operator) in _OPERATORS:
                return _OPERATORS[type(operator)](_value(left, values), _value(right, values))
        case ast.Call(func=ast.Name(id="IF"), args=[ast.Compare() as test, yes, no]):
            return _value(yes if _holds(test, values) else no, values)
        case ast.Call(func=ast.Name(id=name), args=arguments) if name in _FUNCTIONS:
            return _FUNCTIONS[name](*(_value(each, values) for each in arguments))
    raise ValueError(f"not part of a formula: {ast.dump(node)}")


def _holds(test: ast.Compare, values: Mapping[str, Decimal]) -> bool:
    operator = type(test.ops[0])
    if len(test.ops) != 1 or operator not in _COMPARISONS:
        raise ValueError(f"not part of a formula: {ast.dump(test)}")
    return _COMPARISONS[operator](_value(test.left, values), _value(test.comparators[0], values))
