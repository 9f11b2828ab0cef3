"""Which small changes can a line of Python suffer, such as a slip of the pen would make?

Never to texts, types or assertions. Every change is one field of one node of the module's tree.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from itertools import takewhile
from pathlib import Path
from typing import Any

TURNED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
SWAPPED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv, ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
}  # fmt: skip
PAIRS = ("min max", "all any", "ceil floor", "filter exclude", "first last", "union intersection")
OTHER_NAME = {a: b for pair in PAIRS for a, b in (pair.split(), pair.split()[::-1])}
# Of a chain of calls, those that can be left out of it; and those whose conditions can be.
LINKS = {"filter", "exclude", "order_by", "distinct", "select_for_update", "reverse"}
CONDITIONS = {"filter", "exclude", "Q"}
# Keyword arguments that only carry words or assert, and decorators that only shape or describe.
WORDS = {"help_text", "label", "verbose_name", "verbose_name_plural", "title", "description",
         "summary", "placeholder", "message", "remedy", "legend", "hint", "width",
         "about", "lead", "button", "done", "strict"}  # fmt: skip
SHAPING = {"property", "cached_property", "setter", "classmethod", "staticmethod", "dataclass",
           "contextmanager", "wraps", "cache", "lru_cache", "extend_schema", "extend_schema_field",
           "overload", "abstractmethod"}  # fmt: skip
CONTEXT = 45  # characters of a statement shown on either side of the change
LONG = 90  # characters from which the change itself is shown in part
FUNCTIONS = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class _Place:
    """The names of what a node stands in, its statement, and whether importing runs it."""

    names: tuple[str, ...]
    statement: ast.stmt
    early: bool

    def inside(self, parent: ast.AST, field: str, node: ast.AST) -> _Place:
        names, early = self.names, self.early
        if isinstance(parent, FUNCTIONS | ast.ClassDef):
            names = (*names, parent.name)
            early = early and not (isinstance(parent, FUNCTIONS) and field == "body")
        return _Place(names, node if isinstance(node, ast.stmt) else self.statement, early)


@dataclass(frozen=True, eq=False)
class Change:
    """`field` of `node` becomes `value`."""

    module: str
    place: _Place
    node: ast.AST
    field: str
    value: Any
    tree: ast.Module

    @property
    def function(self) -> str:
        return ".".join(self.place.names)

    @property
    def line(self) -> int:
        return self.place.statement.lineno

    @property
    def early(self) -> bool:
        """Whether the place runs at import, so that the changed module must be imported."""
        return self.place.early

    @property
    def lines(self) -> range:
        """A test that runs one of these lines can see the change."""
        statement = self.place.statement
        if isinstance(statement, FUNCTIONS):  # decorators and defaults
            return range(statement.body[0].lineno, (statement.end_lineno or 0) + 1)
        if self.early:
            return range(1, (self.tree.body[-1].end_lineno or 0) + 1)
        inside = getattr(statement, "body", getattr(statement, "cases", None))
        first = getattr(inside[0], "pattern", inside[0]) if inside else None
        end = first.lineno - 1 if first else statement.end_lineno or 0
        return range(statement.lineno, max(end, statement.lineno) + 1)

    @contextmanager
    def made(self) -> Iterator[None]:
        """The module's tree is changed inside, and as before after."""
        before = getattr(self.node, self.field)
        setattr(self.node, self.field, self.value)
        try:
            yield
        finally:
            setattr(self.node, self.field, before)

    @cached_property
    def text(self) -> str:
        """The statement with `[before -> after]` in it; it names the change whatever its line."""
        before, old = _tokens(_head(self.place.statement)), getattr(self.node, self.field)
        with self.made():
            new = self.value if isinstance(old, list) and self.place.statement in old else []
            after = _tokens(_head(next((s for s in new if s not in old), self.place.statement)))
        start = len(_common(before, after))
        end = len(_common(before[start:][::-1], after[start:][::-1]))
        cut = ["".join(tokens[start : len(tokens) - end]) for tokens in (before, after)]
        shown = [text if len(text) < LONG else f"{text[: LONG - 9]}...{text[-6:]}" for text in cut]
        left, right = "".join(before[:start]), "".join(before[len(before) - end :])
        return f"{left[-CONTEXT:]}[{shown[0]} -> {shown[1]}]{right[:CONTEXT]}"


def changes(path: Path) -> tuple[ast.Module, list[Change]]:
    """The module's tree, and every change of it in a fixed order."""
    tree = ast.parse(path.read_text())
    places: dict[ast.AST, _Place] = {tree: _Place((), ast.Pass(), early=True)}
    found = []
    for parent in ast.walk(tree):  # which comes to a node before what stands in it
        for field, value in ast.iter_fields(parent) if parent in places else ():
            nodes = value if isinstance(value, list) else [value]
            for index, node in enumerate(nodes):
                if not isinstance(node, ast.AST) or _is_left_alone(node, field, parent, path):
                    continue
                place = places[node] = places[parent].inside(parent, field, node)
                for new in (*_statements(node), *_expressions(node)):
                    if hasattr(node, "lineno"):
                        ast.copy_location(new, node)
                    rest = [*nodes[:index], new, *nodes[index + 1 :]]
                    changed = rest if isinstance(value, list) else new
                    found.append(Change(path.as_posix(), place, parent, field, changed, tree))
    return tree, found


def _statements(node: ast.AST) -> Iterator[ast.AST]:
    """What can stand in a statement's place: nothing, or itself turned round."""
    match node:
        case (
            ast.If(body=[*_, ast.Raise() | ast.Return() | ast.Continue() | ast.Break()], orelse=[])
            | ast.Expr(value=ast.Call())
            | ast.AugAssign()
            | ast.Assign(targets=[ast.Subscript() | ast.Attribute()])
        ):
            yield ast.Pass()
        case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
            yield _with(node, value=ast.copy_location(ast.Constant(None), node))
        case ast.FunctionDef(decorator_list=decorators):
            for one, rest in zip(decorators, _one_less(decorators), strict=True):
                if _called(one) not in SHAPING:
                    yield _with(node, decorator_list=rest)
    match node:
        case ast.If(test=test) | ast.While(test=test) if _is_plain(test):
            yield _with(node, test=_not(test))
        case ast.AugAssign(op=op) if type(op) in SWAPPED:
            yield _with(node, op=SWAPPED[type(op)]())


def _expressions(node: ast.AST) -> Iterator[ast.AST]:
    """What can stand in an expression's place."""
    match node:
        case ast.Compare(ops=ops):
            for index, op in enumerate(ops):
                for new in TURNED[type(op)]:
                    yield _with(node, ops=[*ops[:index], new(), *ops[index + 1 :]])
        case ast.BoolOp(op=op, values=values):
            yield _with(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
            for rest in _one_less(values):
                yield copy(rest[0]) if len(rest) == 1 else _with(node, values=rest)
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield copy(operand)
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(number)):
            yield ast.Constant(number + 1)
            if number:
                yield ast.Constant(number - 1)
        case ast.Constant(value=float(figure)):
            yield ast.Constant(figure * 2 if figure else 1.0)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in SWAPPED:
            if not _is_text(left) and not _is_text(right):
                yield _with(node, op=SWAPPED[type(op)]())
        case ast.IfExp(body=body, orelse=orelse):
            yield from (copy(body), copy(orelse))
        case ast.comprehension(ifs=ifs):
            yield from (_with(node, ifs=rest) for rest in _one_less(ifs))
        case ast.Call():
            yield from _calls(node)


def _calls(node: ast.Call) -> Iterator[ast.expr]:
    name = _called(node)
    for index, keyword in enumerate(node.keywords):
        if keyword.arg and keyword.arg not in WORDS:
            rest = [*node.keywords[:index], *node.keywords[index + 1 :]]
            yield _with(node, keywords=rest)
    if name in CONDITIONS:
        yield from (_with(node, args=rest) for rest in _one_less(node.args))
    if name in OTHER_NAME and isinstance(node.func, ast.Name):
        yield _with(node, func=_with(node.func, id=OTHER_NAME[name]))
    if isinstance(node.func, ast.Attribute):
        if name in OTHER_NAME:
            yield _with(node, func=_with(node.func, attr=OTHER_NAME[name]))
        if name in LINKS:
            yield copy(node.func.value)


def _is_left_alone(node: ast.AST, field: str, parent: ast.AST, path: Path) -> bool:
    """Types, texts, imports, assertions, logs, decorators' arguments, and models' fields.

    Fields and `Meta` of a model are held to the migrations, and those to the database.
    """
    of_model = "models" in path.parts and isinstance(parent, ast.ClassDef)
    match node:
        case ast.Assign() | ast.AnnAssign() | ast.ClassDef(name="Meta") if of_model:
            return True
        case ast.Import() | ast.ImportFrom() | ast.Assert() | ast.JoinedStr():
            return True
        case ast.If(test=ast.Name(id="TYPE_CHECKING")) | ast.Call(func=ast.Name(id="TypeVar")):
            return True
        case ast.Expr(value=ast.Call(func=ast.Attribute(value=ast.Name(id="logger")))):
            return True
    return field in {"annotation", "returns", "decorator_list"}


def _head(node: ast.stmt) -> str:
    if isinstance(node, FUNCTIONS):
        node = _with(node, body=[ast.Pass()])
    text = ast.unparse(node)
    compound = isinstance(getattr(node, "body", None), list) and not isinstance(node, FUNCTIONS)
    return text.split("\n", 1)[0] if compound else " ".join(text.split())


def _tokens(text: str) -> list[str]:
    return re.findall(r"\d[\d.]*|\w+|\s+|[<>=!*/]+|.", text)


def _common(a: list[str], b: list[str]) -> list[tuple[str, str]]:
    return list(takewhile(lambda pair: pair[0] == pair[1], zip(a, b, strict=False)))


def _with(node: Any, **fields: object) -> Any:
    new = copy(node)
    for name, value in fields.items():
        setattr(new, name, value)
    return new


def _one_less(values: list[ast.expr]) -> Iterator[list[ast.expr]]:
    return ([*values[:index], *values[index + 1 :]] for index in range(len(values)))


def _not(test: ast.expr) -> ast.expr:
    return ast.copy_location(ast.UnaryOp(ast.Not(), test), test)


def _is_plain(test: ast.expr) -> bool:
    return isinstance(test, ast.Name | ast.Attribute | ast.Call | ast.Subscript | ast.NamedExpr)


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _called(node: ast.expr) -> str:
    """The last name of what is called, or named: `a.b.c(1)` gives c."""
    while isinstance(node, ast.Call):
        node = node.func
    return node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")
