"""Where a module can be changed, and how: every mutant of it, as a change of its syntax tree.

No places: annotations, decorators, docstrings, ``__all__`` and ``__slots__``, what stands under ``TYPE_CHECKING``, what is
raised (that it is raised is one), ``strict`` of ``zip``, and texts. A text is a place only where it is a word of a table:
without a space, in a constant of the module.
"""

from __future__ import annotations

import ast
import copy
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

_BOUNDARY: dict[type, type] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_TURNED: dict[type, type] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_ARITHMETIC: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
_FUNCTIONS = {"min": "max", "max": "min", "any": "all", "all": "any"}
_UNTOUCHED = frozenset({"annotation", "returns", "decorator_list", "bases", "exc", "cause", "msg"})
_FUNCTION = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)
_TABLE = re.compile(r"_?[A-Z][A-Z0-9_]*")
_WORD = re.compile(r"[\w./:%-]{1,40}")


@dataclass(slots=True)
class Mutant:
    """One change. ``lines`` and ``statement``: first and last line of what is changed, and of the statement it is in.

    ``at_import``: it runs when the module is loaded. ``within``: the function or class. ``function``: the name of the
    outermost function, and first and last line of its body; None where it is in none, or where another has its name.
    """

    operator: str
    lines: tuple[int, int]
    statement: tuple[int, int]
    at_import: bool
    within: str
    function: tuple[str, int, int] | None
    _tree: ast.Module
    _parent: ast.AST
    _field: str
    _index: int | None
    _new: ast.AST

    @property
    def before(self) -> str:
        """What stands there, as one line."""
        return _line(self._old)

    @property
    def after(self) -> str:
        """What the mutant has in its place."""
        return _line(self._new)

    @property
    def _old(self) -> ast.AST:
        value = getattr(self._parent, self._field)
        return value if self._index is None else value[self._index]  # type: ignore[no-any-return]

    def text(self) -> str:
        """The module with the change."""
        old = self._old
        self._put(self._new)
        try:
            return ast.unparse(self._tree)
        finally:
            self._put(old)

    def _put(self, node: ast.AST) -> None:
        if self._index is None:
            setattr(self._parent, self._field, node)
        else:
            getattr(self._parent, self._field)[self._index] = node


@dataclass(frozen=True, slots=True)
class _At:
    """Where a walk stands."""

    within: str = ""
    at_import: bool = True
    statement: tuple[int, int] = (1, 1)
    text: tuple[int, int] | None = None
    table: bool = False
    returns_bool: bool = False
    function: tuple[str, int, int] | None = None


def mutants(source: str) -> list[Mutant]:
    """Every mutant of a module, in the order of its text."""
    tree = ast.parse(source)
    found = list(_walk(tree, tree, _At()))
    bodies = Counter(name for name, _, _ in {mutant.function for mutant in found if mutant.function})
    for mutant in found:
        if mutant.function and bodies[mutant.function[0]] > 1:
            mutant.function = None
    return found


def _walk(tree: ast.Module, parent: ast.AST, at: _At) -> Iterator[Mutant]:
    for field, value in ast.iter_fields(parent):
        if field in _UNTOUCHED or (field == "keywords" and isinstance(parent, ast.ClassDef)):
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(child, ast.AST) or _left_alone(child):
                continue
            here = _step(at, parent, field, child)
            lines = here.text or (
                getattr(child, "lineno", here.statement[0]),
                getattr(child, "end_lineno", here.statement[1]),
            )
            for operator, new in _changes(parent, field, child, here):
                yield Mutant(
                    operator,
                    lines,
                    here.statement,
                    here.at_import,
                    here.within,
                    here.function,
                    tree,
                    parent,
                    field,
                    index,
                    new,
                )
            yield from _walk(tree, child, here)


def _step(at: _At, parent: ast.AST, field: str, child: ast.AST) -> _At:
    within, at_import, statement, text, table, returns_bool, function = (
        at.within, at.at_import, at.statement, at.text, at.table, at.returns_bool, at.function,
    )  # fmt: skip
    if isinstance(parent, (*_FUNCTION, ast.ClassDef)) and field == "body":
        within = f"{within}.{getattr(parent, 'name', 'lambda')}".lstrip(".")
        at_import = at_import and isinstance(parent, ast.ClassDef)
        if isinstance(parent, ast.FunctionDef):
            if at.at_import:
                function = (within, parent.body[0].lineno, parent.end_lineno or 0)
            returns_bool = isinstance(parent.returns, ast.Name) and parent.returns.id == "bool"
    if isinstance(child, ast.stmt):
        body = getattr(child, "body", None)
        last = body[0].lineno - 1 if isinstance(body, list) else child.end_lineno or child.lineno
        statement = (child.lineno, max(child.lineno, last))
    if isinstance(child, ast.Assign | ast.AnnAssign) and isinstance(parent, ast.Module):
        targets = child.targets if isinstance(child, ast.Assign) else [child.target]
        table = all(isinstance(target, ast.Name) and _TABLE.fullmatch(target.id) for target in targets)
    if isinstance(child, ast.JoinedStr):
        # Python 3.11 gives no sure place to what stands inside of a formatted text.
        text = text or (child.lineno, child.end_lineno or child.lineno)
    return _At(within, at_import, statement, text, table, returns_bool, function)


def _left_alone(node: ast.AST) -> bool:
    match node:
        case ast.Expr(value=ast.Constant()) | ast.keyword(arg="strict"):
            return True
        case ast.Assign(targets=[ast.Name(id="__all__" | "__slots__")]):
            return True
        case ast.If(test=ast.Name(id="TYPE_CHECKING")):
            return True
    return False


def _changes(parent: ast.AST, field: str, node: ast.AST, at: _At) -> Iterator[tuple[str, ast.AST]]:
    """(operator, what comes in the place of a node)."""
    match node:
        case ast.Compare():
            for number, op in enumerate(node.ops):
                for operator, table in (("boundary moved", _BOUNDARY), ("comparison turned", _TURNED)):
                    if type(op) in table:
                        new = copy.copy(node)
                        new.ops = [*node.ops[:number], table[type(op)](), *node.ops[number + 1 :]]
                        yield operator, new
        case ast.BoolOp():
            yield "and, or swapped", ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
        case ast.UnaryOp(op=ast.Not()):
            yield "not dropped", node.operand
        case ast.Constant(value=bool()):
            yield _constant(parent, field, "boolean turned"), ast.Constant(not node.value)
        case ast.Constant(value=int() | float()):
            yield _constant(parent, field, "number raised"), ast.Constant(node.value + 1)
        case ast.Constant(value=str()) if at.table and not at.text and _WORD.fullmatch(node.value):
            yield "word changed", ast.Constant(f"{node.value}x")
        case ast.BinOp() if type(node.op) in _ARITHMETIC and not isinstance(parent, ast.Subscript):
            yield "arithmetic swapped", ast.BinOp(node.left, _ARITHMETIC[type(node.op)](), node.right)
        case ast.Call(func=ast.Name(id=name)) if name in _FUNCTIONS:
            yield "function swapped", ast.Call(ast.Name(_FUNCTIONS[name]), node.args, node.keywords)
        case ast.Return(value=ast.expr() as value) if not (
            isinstance(value, ast.Constant) and value.value in (None, True, False)
        ):
            negated = ast.UnaryOp(ast.Not(), value)
            yield "return replaced", ast.Return(negated if at.returns_bool else ast.Constant(None))
        case ast.Expr() | ast.AugAssign() | ast.Continue() | ast.Break() | ast.Raise():
            yield "statement dropped", ast.Pass()
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
            yield "statement dropped", ast.Pass()
    if (
        field in ("test", "ifs", "guard")
        and not isinstance(node, ast.Compare)
        and not _is_not(node)
        and isinstance(node, ast.expr)
    ):
        yield "condition negated", ast.UnaryOp(ast.Not(), node)


def _constant(parent: ast.AST, field: str, operator: str) -> str:
    return "default changed" if isinstance(parent, ast.arguments) and "defaults" in field else operator


def _is_not(node: ast.AST) -> bool:
    return isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not)


def _line(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())
