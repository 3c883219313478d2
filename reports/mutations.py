"""Small faults to plant in a module: what `reports/mutants.py` tries the tests with.

The operators of the mutation tools at hand (mutmut 3, cosmic-ray 8) were looked at first. Neither drops an element of a tuple, a term of a
sum, a root or an argument of `hypot`, and a dropped component of a budget is the fault that matters most here; mutmut changes nothing
outside of functions, where thresholds stand; both copy the sources and start anew for each fault or each file. So the operators are these,
on `ast`, and the faults are planted in a warm process.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Container, Iterator
from dataclasses import dataclass

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
_SWAPPED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
_TERMS = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.BitAnd, ast.BitOr)
_CALLED = {
    "min": "max", "max": "min", "any": "all", "all": "any", "median": "max", "floor": "ceil", "argmax": "argmin", "argmin": "argmax",
    "maximum": "minimum", "minimum": "maximum",
}  # fmt: skip
_UNWRAPPED = frozenset({"sqrt", "abs", "log1p", "exp", "round"})
_SEVERAL = frozenset({"min", "max", "hypot", "combine", "maximum", "minimum"})
_SKIPPED = frozenset({"annotation", "returns", "decorator_list", "format_spec", "type_params"})


@dataclass(frozen=True)
class Mutant:
    """One fault: where it is planted, in what, and what changes. `lines`: those of the statement around it."""

    function: str  # dotted name; empty at the top of the module
    change: str
    nth: int  # of the same change in the same function
    line: int
    lines: range
    place: tuple[ast.AST, str, int | None]
    new: ast.AST
    on_edge: bool = False  # only a real number that is exactly a threshold would show it

    @property
    def key(self) -> str:
        """What names it as long as its function stays as it is."""
        return f"{self.function}: {self.change} #{self.nth}"

    def plant(self) -> None:
        """Change the tree."""
        parent, field, index = self.place
        if index is None:
            setattr(parent, field, self.new)
        else:
            getattr(parent, field)[index] = self.new


def mutants_of(tree: ast.Module, reals: Container[str] = ()) -> list[Mutant]:
    """All faults that these operators know for the module, in the order of its lines. `reals`: names that stand for real numbers."""
    found: list[Mutant] = []
    seen: Counter[tuple[str, str]] = Counter()
    for node, place, statement, function in _nodes(tree, tree, ""):
        for new in _faults(node):
            change = f"{_text(node)}  ->  {_text(new)}"
            seen[function, change] += 1
            ast.copy_location(new, node)
            ast.fix_missing_locations(new)
            lines = range(statement.lineno, _header_end(statement) + 1)
            line = getattr(node, "lineno", statement.lineno)
            on_edge = _is_on_edge(node, new, reals)
            found.append(Mutant(function, change, seen[function, change], line, lines, place, new, on_edge))
    return found


def _is_on_edge(node: ast.AST, new: ast.AST, reals: Container[str]) -> bool:
    """Whether a comparison with a real threshold differs only in whether the threshold itself belongs to it."""
    if not isinstance(node, ast.Compare) or not isinstance(new, ast.Compare):
        return False
    ends: dict[type[ast.cmpop], type[ast.cmpop]] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
    moved = [(k, type(b)) for k, (a, b) in enumerate(zip(node.ops, new.ops, strict=True)) if type(a) is not type(b)]
    if any(ends.get(type(node.ops[k])) is not other for k, other in moved):
        return False
    sides = [one for k, _ in moved for side in (node.left, *node.comparators)[k : k + 2] for one in ast.walk(side)]
    return any(
        (isinstance(one, ast.Constant) and isinstance(one.value, float) and one.value != 0.0)
        or (isinstance(one, ast.Name) and one.id in reals)
        for one in sides
    )


def _header_end(statement: ast.stmt) -> int:
    """Last line of a statement without the block under it."""
    body = getattr(statement, "body", None) or getattr(statement, "cases", None)
    if not body:
        return statement.end_lineno or statement.lineno
    first = body[0].pattern.lineno if isinstance(body[0], ast.match_case) else body[0].lineno
    return max(statement.lineno, int(first) - 1)


def _text(node: ast.AST) -> str:
    if isinstance(node, ast.Pass):
        return "(dropped)"
    if isinstance(node, ast.If):
        return f"if {_text(node.test)}"
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= 90 else f"{text[:55]} ... {text[-30:]}"


def _nodes(node: ast.AST, statement: ast.AST, function: str) -> Iterator[tuple[ast.AST, tuple[ast.AST, str, int | None], ast.stmt, str]]:
    """Every node below with its place, the statement it stands in and the function."""
    for field, value in ast.iter_fields(node):
        if field in _SKIPPED:
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(child, ast.AST) or _is_type(child):
                continue
            around = child if isinstance(child, ast.stmt) else statement
            named = isinstance(child, ast.FunctionDef | ast.ClassDef)
            inside = ".".join(filter(None, (function, child.name))) if isinstance(child, ast.FunctionDef | ast.ClassDef) else function
            if isinstance(around, ast.stmt) and not named and not _is_text(child):
                yield child, (node, field, index), around, function
            yield from _nodes(child, around, inside)


def _is_type(node: ast.AST) -> bool:
    """Whether this names a type, which nothing looks at while it runs."""
    return isinstance(node, ast.AnnAssign) and isinstance(node.annotation, ast.Name) and node.annotation.id == "TypeAlias"


def _is_text(node: ast.AST) -> bool:
    """Whether this is a docstring or an import."""
    return isinstance(node, ast.Import | ast.ImportFrom) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
    )


def _faults(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Compare():
            yield from _compared(node)
        case ast.BinOp():
            yield from _binary(node)
        case ast.BoolOp(op=op, values=values):
            yield ast.BoolOp(ast.And() if isinstance(op, ast.Or) else ast.Or(), values)
            yield from (_joined(op, [v for j, v in enumerate(values) if j != k]) for k in range(len(values)))
        case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
            yield operand
        case ast.IfExp(body=body, orelse=orelse):
            yield body
            yield orelse
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(whole)):
            yield ast.Constant(whole + 1)
        case ast.Constant(value=float(real)):
            yield ast.Constant(2.0 * real if real else 1.0)
        case ast.Call():
            yield from _called(node)
        case ast.Tuple(ctx=ast.Load(), elts=elements) | ast.List(ctx=ast.Load(), elts=elements):
            kind = ast.Tuple if isinstance(node, ast.Tuple) else ast.List
            parts = [k for k, one in enumerate(elements) if isinstance(one, ast.Call | ast.Starred)]
            yield from (kind([one for j, one in enumerate(elements) if j != k], ast.Load()) for k in parts)
        case ast.comprehension(ifs=ifs) if ifs:
            yield ast.comprehension(node.target, node.iter, [], node.is_async)
        case ast.Return(value=ast.expr() as value) if not (isinstance(value, ast.Constant) and value.value is None):
            yield ast.Return(ast.Constant(None))
        case ast.If(test=ast.Name() | ast.Attribute() | ast.Call() as test):
            yield ast.If(ast.UnaryOp(ast.Not(), test), node.body, node.orelse)
        case ast.AugAssign(op=op) if type(op) in _SWAPPED:
            yield ast.AugAssign(node.target, _SWAPPED[type(op)](), node.value)
            yield ast.Pass()
        case ast.Expr() | ast.Raise() | ast.Assign(targets=[ast.Attribute() | ast.Subscript(), *_]):
            yield ast.Pass()


def _joined(op: ast.boolop, values: list[ast.expr]) -> ast.AST:
    return values[0] if len(values) == 1 else ast.BoolOp(op, values)


def _compared(node: ast.Compare) -> Iterator[ast.AST]:
    for k, op in enumerate(node.ops):
        for other in _COMPARED[type(op)]:
            yield ast.Compare(node.left, [other() if j == k else one for j, one in enumerate(node.ops)], node.comparators)


def _binary(node: ast.BinOp) -> Iterator[ast.AST]:
    other = _SWAPPED.get(type(node.op))
    if other is not None:
        yield ast.BinOp(node.left, other(), node.right)
    if isinstance(node.op, _TERMS):
        yield node.left
        if not isinstance(node.op, ast.Div):
            yield node.right


def _called(node: ast.Call) -> Iterator[ast.AST]:
    name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr if isinstance(node.func, ast.Attribute) else ""
    other = _CALLED.get(name)
    # `r.min()` of an array is swapped too; `median` has no counterpart of the same module as an attribute.
    if other is not None and isinstance(node.func, ast.Name):
        yield ast.Call(ast.Name(other, ast.Load()), node.args, node.keywords)
    elif other is not None and isinstance(node.func, ast.Attribute):
        yield ast.Call(ast.Attribute(node.func.value, other, ast.Load()), node.args, node.keywords)
    if name in _UNWRAPPED and len(node.args) == 1:
        yield node.args[0]
    if name in _SEVERAL and len(node.args) > 1:
        yield from (ast.Call(node.func, [a for j, a in enumerate(node.args) if j != k], node.keywords) for k in range(len(node.args)))
    if name[:1].isupper():
        if len(node.args) > 2:
            yield ast.Call(node.func, node.args[:-1], node.keywords)
        yield from (ast.Call(node.func, node.args, [w for j, w in enumerate(node.keywords) if j != k]) for k in range(len(node.keywords)))
