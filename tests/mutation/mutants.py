"""Mutants: a module's source with one small change, as a slip of the pen might make it.

What is changed: comparisons (`<` and `<=` and so on), `and` and `or`, a condition negated, `not` dropped, arithmetic
and bit operators, whole numbers by one, True and False, the first byte of a bytes literal, statements left out, what
is returned, a function that returns at once. What is not: annotations, docstrings, text (of errors above all),
decorators, assertions (which the type checker needs), imports, `__slots__`.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from copy import copy
from dataclasses import dataclass
from typing import Any

from tests.support.places import ROOT

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Div: ast.Mult,
    ast.Mod: ast.FloorDiv, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitAnd,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.Pow: ast.Mult,
}  # fmt: skip
Change = tuple[Any, str]  # a node of the tree, what stands instead of it
LEFT_OUT = (ast.AugAssign, ast.Raise, ast.Delete, ast.Break, ast.Continue)


@dataclass(frozen=True, order=True)
class Mutant:
    """`text` stands in place of what is from `begin` to `end` in the module's source."""

    module: str
    begin: int
    end: int
    text: str

    def source(self, source: str) -> str:
        """The whole changed source."""
        return source[: self.begin] + self.text + source[self.end :]

    def lines(self, source: str) -> range:
        """The lines that are changed, counted from 1."""
        first = source.count("\n", 0, self.begin) + 1
        return range(first, first + source.count("\n", self.begin, self.end) + 1)

    def diff(self, source: str) -> str:
        """The changed lines only, old and new."""
        old, new = source.splitlines(), self.source(source).splitlines()
        first = next(at for at, (a, b) in enumerate(zip([*old, ""], [*new, ""], strict=False)) if a != b)
        last = 0
        while last < min(len(old), len(new)) - first and old[-1 - last] == new[-1 - last]:
            last += 1
        removed = [f"- {line.strip()}" for line in old[first : len(old) - last]]
        return "\n".join(removed + [f"+ {line.strip()}" for line in new[first : len(new) - last]])


def modules_of(*rooms: str) -> list[str]:
    """The modules of these rooms of simfs, by dotted name."""
    found = []
    for room in rooms:
        for path in sorted((ROOT / "simfs" / room).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found.append(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    return found


def mutants_of(module: str, source: str) -> list[Mutant]:
    """All mutants of a module, in the order of their places."""
    tree = ast.parse(source)
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    lines = [line.encode() for line in source.splitlines(keepends=True)]  # columns count bytes
    found = set()
    for node, text in _changes(tree):
        begin = starts[node.lineno - 1] + len(lines[node.lineno - 1][: node.col_offset].decode())
        end = starts[node.end_lineno - 1] + len(lines[node.end_lineno - 1][: node.end_col_offset].decode())
        found.add(Mutant(module, begin, end, text))
    return sorted(found)


def _changes(node: ast.AST) -> Iterator[Change]:
    """(node, what stands instead of it) for this node and all below it that may be changed."""
    yield from _changes_of(node)
    for child in _children(node):
        yield from _changes(child)


def _children(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Assert | ast.JoinedStr | ast.Import | ast.ImportFrom):
        return
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return
    if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) in ("__slots__", "__all__"):
        return
    for name, field in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params", "bases"):
            continue
        for child in field if isinstance(field, list) else [field]:
            if isinstance(child, ast.keyword) and child.arg == "strict":
                continue  # zip's: what it refuses never comes
            if isinstance(child, ast.AST):
                yield child


def _changes_of(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.Compare):
        for at, operator in enumerate(node.ops):
            ops = [*node.ops[:at], COMPARISONS[type(operator)](), *node.ops[at + 1 :]]
            yield node, _text(node, ops=ops)
    elif isinstance(node, ast.BoolOp):
        yield node, _text(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        if not isinstance(node.left, ast.Constant | ast.JoinedStr) or not isinstance(node.left.value, str):  # type: ignore[union-attr]
            yield node, _text(node, op=OPERATORS[type(node.op)]())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        yield node, f"({ast.unparse(node.operand)})"
    elif isinstance(node, ast.Constant):
        yield from _constants(node)
    elif isinstance(node, ast.stmt):
        yield from _statements(node)
    test = node.test if isinstance(node, ast.If | ast.While | ast.IfExp) else None
    if isinstance(test, ast.Name | ast.Attribute | ast.Call) and ast.unparse(test) != "TYPE_CHECKING":
        yield test, f"(not {ast.unparse(test)})"


def _constants(node: ast.Constant) -> Iterator[Change]:
    value = node.value
    if isinstance(value, bool):
        yield node, str(not value)
    elif isinstance(value, int):
        yield node, str(value + 1)
        yield node, str(value - 1) if value else "(-1)"
    elif isinstance(value, bytes) and value:
        yield node, repr(bytes([value[0] ^ 1]) + value[1:])


def _statements(node: ast.stmt) -> Iterator[Change]:
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield node, "pass"
    elif isinstance(node, LEFT_OUT):
        yield node, "pass"
        if isinstance(node, ast.AugAssign) and type(node.op) in OPERATORS:
            yield node, ast.unparse(_with(node, op=OPERATORS[type(node.op)]()))
    elif isinstance(node, ast.Assign) and not isinstance(node.targets[0], ast.Name | ast.Tuple):
        yield node, "pass"
    elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) != "None":
        yield node, "return None"
    elif isinstance(node, ast.FunctionDef):
        yield from _returns_at_once(node)


def _returns_at_once(node: ast.FunctionDef) -> Iterator[Change]:
    body = node.body[1:] if ast.get_docstring(node) is not None else node.body
    generates = any(isinstance(inner, ast.Yield | ast.YieldFrom) for inner in ast.walk(node))
    if len(body) < 2 or generates:
        return  # a single statement has its own mutants
    whole = copy(body[0])
    whole.end_lineno, whole.end_col_offset = body[-1].end_lineno, body[-1].end_col_offset
    yield whole, "return None"


def _with(node: ast.AST, **fields: object) -> ast.AST:
    changed = copy(node)
    for name, value in fields.items():
        setattr(changed, name, value)
    return changed


def _text(node: ast.AST, **fields: object) -> str:
    return f"({ast.unparse(_with(node, **fields))})"
