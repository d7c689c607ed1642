"""One-operator and one-constant changes of a module, found in its syntax tree: what a slip of the pen would make."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult}
LOGIC = {ast.And: ast.Or, ast.Or: ast.And}
SLIP = 1.05
"""A constant that is 5 % off is a figure that a manager would believe."""


@dataclass(frozen=True)
class Mutation:
    """One change of a module's text.

    Parameters
    ----------
    path : the module.
    line : where, from 1.
    before, after : the expression as it stands and as it is changed, on one line each.
    within : the first line of it, as it stands.
    text : the whole module changed.
    """

    path: str
    line: int
    before: str
    after: str
    within: str
    text: str

    @property
    def words(self) -> str:
        """The change with its line's text in place of the number, which moves: `0 -> 1` is of many places."""
        return f"{self.path}: {self.before} -> {self.after} in {self.within}"


def mutations(path: str, source: str) -> list[Mutation]:
    """Return every change that the module's executed code allows, in the order of its lines."""
    found = []
    for node, changed in _changes(ast.parse(source)):
        before = ast.get_source_segment(source, node)
        after = ast.unparse(ast.fix_missing_locations(changed))
        start, end = (
            _offset(source, node.lineno, node.col_offset),
            _offset(source, node.end_lineno, node.end_col_offset),
        )
        text = source.encode()[:start] + f"({after})".encode() + source.encode()[end:]
        within = source.splitlines()[node.lineno - 1].strip()
        found.append(Mutation(path, node.lineno, " ".join(before.split()), after, within, text.decode()))
    return sorted(found, key=lambda one: (one.line, one.before, one.after))


def _offset(source: str, line: int, column: int) -> int:
    """Return the byte at which a line's column (in bytes, as the syntax tree counts) lies."""
    return sum(len(text.encode()) for text in source.splitlines(keepends=True)[: line - 1]) + column


def _changes(tree: ast.Module) -> Iterator[tuple[ast.expr, ast.expr]]:
    for node in _executed(tree):
        for changed in _slips(node):
            yield node, changed


def _executed(node: ast.AST) -> Iterator[ast.expr]:
    """Yield the expressions that compute something: no message that is raised, no annotation, no text put together."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_comment"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.Raise | ast.JoinedStr):
                continue
            if isinstance(child, ast.expr):
                yield child
            yield from _executed(child)


def _slips(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.Compare):
        for place, operator in enumerate(node.ops):
            if type(operator) in COMPARISONS:
                changed = copy.deepcopy(node)
                changed.ops[place] = COMPARISONS[type(operator)]()
                yield changed
    elif isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
        # Text put together is no arithmetic.
        if not any(isinstance(side, ast.JoinedStr) or _is_text(side) for side in (node.left, node.right)):
            yield ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(LOGIC[type(node.op)](), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
        yield ast.Constant(_slipped(node.value))


def _slipped(value: float) -> float:
    """Return a constant as a slip would leave it."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    return value * SLIP if value else 1.0


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)
