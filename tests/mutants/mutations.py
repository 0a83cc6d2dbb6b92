"""Small changes of one line of Python that a test ought to notice."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

__all__ = ["Mutation", "mutations"]

COMPARISONS = {
    ast.Lt: ("<", ["<=", ">"]),
    ast.LtE: ("<=", ["<", ">="]),
    ast.Gt: (">", [">=", "<"]),
    ast.GtE: (">=", [">", "<="]),
    ast.Eq: ("==", ["!="]),
    ast.NotEq: ("!=", ["=="]),
    ast.Is: ("is", ["is not"]),
    ast.IsNot: ("is not", ["is"]),
    ast.In: ("in", ["not in"]),
    ast.NotIn: ("not in", ["in"]),
}
OPERATORS = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "*"),
    ast.Mod: ("%", "*"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
}
# Their arguments may change places without a change of the result.
SYMMETRIC = {"max", "min", "maximum", "minimum"}
# Annotations and decorators are no arithmetic; the words of an error are read by a person, not by the product.
UNTOUCHED_FIELDS = {"annotation", "returns", "decorator_list", "type_comment"}


@dataclass(frozen=True, slots=True)
class Mutation:
    """One change: what kind, in which lines (from 1), and the whole changed text."""

    line: int
    end_line: int
    kind: str
    text: str


def mutations(text: str) -> list[Mutation]:
    """All changes of a module, in the order of its lines; each of them compiles."""
    source = _Source(text)
    return sorted(
        {
            Mutation(node.lineno, node.end_lineno or node.lineno, kind, changed)
            for node in _nodes(ast.parse(text))
            for kind, changed in _changes(node, source)
            if changed != text and _compiles(changed)
        },
        key=lambda one: (one.line, one.kind, one.text),
    )


class _Source:
    """The text with its places as the syntax tree counts them: line from 1, column in bytes."""

    def __init__(self, text: str) -> None:
        self.raw = text.encode()
        self._starts = [0]
        for line in self.raw.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return (
            self._starts[node.lineno - 1] + node.col_offset,
            self._starts[node.end_lineno - 1] + node.end_col_offset,
        )

    def segment(self, node: ast.expr | ast.stmt) -> str:
        start, end = self.span(node)
        return self.raw[start:end].decode()

    def put(self, span: tuple[int, int], new: str) -> str:
        return (self.raw[: span[0]] + new.encode() + self.raw[span[1] :]).decode()

    def between(self, left: ast.expr, right: ast.expr, old: str, new: str) -> str:
        """The text with an operator changed, which stands between two operands."""
        gap = self.span(left)[1], self.span(right)[0]
        return self.put(gap, self.raw[gap[0] : gap[1]].decode().replace(old, new, 1))


def _nodes(node: ast.AST) -> Iterator[ast.expr | ast.stmt]:
    """The parts of a module that are worth a change, outermost first."""
    if isinstance(node, ast.expr | ast.stmt):
        yield node
    # Before Python 3.12 the places inside an f-string are not told.
    if isinstance(node, ast.Raise | ast.JoinedStr) or _is_listing(node):
        return
    for field, value in ast.iter_fields(node):
        if field in UNTOUCHED_FIELDS:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _is_docstring(child) and not _is_strictness(node, child):
                yield from _nodes(child)


def _is_listing(node: ast.AST) -> bool:
    """`__all__`, and imports for the type checker alone."""
    if isinstance(node, ast.If):
        return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
    return isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"


def _is_docstring(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _is_strictness(call: ast.AST, child: ast.AST) -> bool:
    """`zip(..., strict=True)` states what holds anyway."""
    return isinstance(call, ast.Call) and isinstance(child, ast.keyword) and child.arg == "strict"


def _changes(node: ast.expr | ast.stmt, source: _Source) -> Iterator[tuple[str, str]]:
    for parts in (_operators, _values, _statements, _negations):
        yield from parts(node, source)


def _operators(node: ast.expr | ast.stmt, source: _Source) -> Iterator[tuple[str, str]]:
    match node:
        case ast.Compare(left=left, ops=ops, comparators=others):
            for (before, after), op in zip(pairwise([left, *others]), ops, strict=True):
                old, news = COMPARISONS[type(op)]
                for new in news:
                    yield f"{old} becomes {new}", source.between(before, after, old, new)
        case ast.BoolOp(op=op, values=values):
            old, new = ("and", "or") if isinstance(op, ast.And) else ("or", "and")
            for before, after in pairwise(values):
                yield f"{old} becomes {new}", source.between(before, after, old, new)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in OPERATORS:
            old, new = OPERATORS[type(op)]
            yield f"{old} becomes {new}", source.between(left, right, old, new)
        case ast.AugAssign(target=target, op=op, value=value) if type(op) in OPERATORS:
            old, new = OPERATORS[type(op)]
            yield f"{old}= becomes {new}=", source.between(target, value, f"{old}=", f"{new}=")


def _values(node: ast.expr | ast.stmt, source: _Source) -> Iterator[tuple[str, str]]:
    match node:
        case ast.UnaryOp(operand=operand):
            yield "sign or negation left out", source.put(source.span(node), f"({source.segment(operand)})")
        case ast.Constant(value=value):
            yield "constant changed", source.put(source.span(node), repr(_other(value)))
        case ast.Call(args=[first, second, *_]) if ast.unparse(node.func).rpartition(".")[2] not in SYMMETRIC:
            yield "arguments swapped", _swapped(first, second, source)


def _statements(node: ast.expr | ast.stmt, source: _Source) -> Iterator[tuple[str, str]]:
    match node:
        case ast.Expr(value=ast.Call()):
            yield "call left out", source.put(source.span(node), "pass")
        case ast.Raise():
            yield "raise left out", source.put(source.span(node), "pass")
        case ast.Return(value=ast.expr() as value):
            for new in _returns(value):
                yield f"returns {new}", source.put(source.span(value), new)


def _negations(node: ast.expr | ast.stmt, source: _Source) -> Iterator[tuple[str, str]]:
    match node:
        case ast.If(test=test) | ast.While(test=test) | ast.IfExp(test=test):
            tests = [test]
        case ast.ListComp() | ast.SetComp() | ast.DictComp() | ast.GeneratorExp():
            tests = [test for part in node.generators for test in part.ifs]
        case _:
            tests = []
    for test in tests:
        yield "condition negated", source.put(source.span(test), f"(not ({source.segment(test)}))")


def _returns(value: ast.expr) -> list[str]:
    if isinstance(value, ast.Constant):
        return [] if value.value is None else ["None"]
    is_truth = isinstance(value, ast.Compare | ast.BoolOp) or (
        isinstance(value, ast.UnaryOp) and isinstance(value.op, ast.Not)
    )
    return ["True", "False"] if is_truth else ["None"]


def _other(value: object) -> object:
    """Another constant of the same type."""
    match value:
        case bool():
            return not value
        case int():
            return value + 1
        case float():
            return value * 2 if value else 1.0
        case str():
            return value + "?"
        case bytes():
            return value + b"?"
        case _:
            return value


def _swapped(first: ast.expr, second: ast.expr, source: _Source) -> str:
    (start, first_end), (second_start, end) = source.span(first), source.span(second)
    middle = source.raw[first_end:second_start].decode()
    return source.put((start, end), source.segment(second) + middle + source.segment(first))


def _compiles(text: str) -> bool:
    try:
        compile(text, "mutated", "exec")
    except (SyntaxError, ValueError):
        return False
    return True
