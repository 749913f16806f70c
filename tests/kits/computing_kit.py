"""Finds arithmetic on what was measured: which functions of a module add, scale or compare it.

A quantity is an attribute whose name is that of a number in a snapshot or a record, and any
name that was made from one in the same function, be it by a call or by taking it apart.
"""

import ast
import dataclasses
import typing
from collections.abc import Iterator

from benchwatch.estimate import results
from benchwatch.estimate.derived_frequencies import Elsewhere
from benchwatch.estimate.dither import Dither
from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.estimate.trim.mean_pull import Pull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.trim.trim_hint import Hint, Judgement
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import BudgetRow as BudgetLine
from benchwatch.reading import Reading
from benchwatch.snapshot import ElsewhereNow, Snapshot, WarmUp

RECORDS = (
    Reading, Snapshot, WarmUp, ElsewhereNow, results.Estimate, results.Drift, results.Nudge,
    results.Numbers, results.Tolerance, results.SettleLimit, BudgetLine, Dither, Elsewhere,
    OffsetRecord, Deviation, Pull, ToolState, Hint, Judgement,
)  # fmt: skip
TIMES = {"utc_s", "elapsed_s", "since_s", "at_s", "span_s", "gate_s", "lasted_s", "horizon_s",
         "wait_s", "spacing_s"}  # fmt: skip
"""Clock times and spans: how long ago, how far along; no frequency comes of them."""
CALLS = {"abs", "sum", "fsum", "mean", "hypot", "sqrt", "pow", "log", "log10", "exp"}

KEEP = {"min", "max", "float", "round", "sorted", "zip", "list"}
"""Calls whose result is still what they were given."""


def _quantities() -> frozenset[str]:
    names = set()
    for record in RECORDS:
        for field in dataclasses.fields(record):
            if "float" in str(field.type) or field.name == "offset":
                names.add(field.name)
        names |= {
            name
            for name, value in vars(record).items()
            if isinstance(value, property)
            and "float" in str(typing.get_type_hints(value.fget).get("return"))
        }
    return frozenset(names - TIMES)


QUANTITIES = _quantities()


def computing(source: str) -> set[str]:
    """Name the functions of a module in which something measured is computed with."""
    return {
        function.name
        for function in ast.walk(ast.parse(source))
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef) and _computing(function)
    }


def _computing(function: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """Tell whether anything in a function computes with something measured."""
    names = _made_from(function)
    return any(_computes(node, names) for node in ast.walk(function))


def _made_from(function: ast.FunctionDef | ast.AsyncFunctionDef) -> set[str]:
    """Return the local names that hold a quantity, whatever they were called."""
    names: set[str] = set()
    arguments = function.args
    for argument in (*arguments.args, *arguments.kwonlyargs):
        if argument.arg in QUANTITIES and "float" in ast.unparse(argument.annotation or function):
            names.add(argument.arg)
    while True:
        more = {
            name
            for node in ast.walk(function)
            for target, value in _bindings(node)
            if _is_quantity(value, names)
            for name in _names_in(target)
        }
        if more <= names:
            return names
        names |= more


def _bindings(node: ast.AST) -> Iterator[tuple[ast.expr, ast.expr]]:
    if isinstance(node, ast.Assign):
        for target in node.targets:
            yield from _paired(target, node.value)
    elif isinstance(node, ast.AnnAssign | ast.NamedExpr) and node.value is not None:
        yield node.target, node.value
    elif isinstance(node, ast.For | ast.comprehension):
        yield node.target, node.iter


def _paired(target: ast.expr, value: ast.expr) -> Iterator[tuple[ast.expr, ast.expr]]:
    """Take an assignment of several apart, so that only the right names count."""
    alike = isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple)
    if alike and len(target.elts) == len(value.elts):  # type: ignore[attr-defined]
        yield from zip(target.elts, value.elts, strict=True)  # type: ignore[attr-defined]
    else:
        yield target, value


def _names_in(target: ast.expr) -> Iterator[str]:
    return (node.id for node in ast.walk(target) if isinstance(node, ast.Name))


def _is_quantity(node: ast.expr, names: set[str]) -> bool:
    """Tell whether the value of `node` itself is something measured, and no text made of it."""
    if isinstance(node, ast.Attribute):
        return node.attr in QUANTITIES
    if isinstance(node, ast.Name):
        return node.id in names
    return any(_is_quantity(part, names) for part in _parts(node))


def _parts(node: ast.expr) -> list[ast.expr]:
    """Return what the value of `node` is made of."""
    parts: list[ast.expr] = []
    match node:
        case ast.BinOp(left=left, right=right):
            parts = [left, right]
        case ast.IfExp(body=body, orelse=orelse):
            parts = [body, orelse]
        case ast.BoolOp(values=values) | ast.Tuple(elts=values) | ast.List(elts=values):
            parts = values
        case (
            ast.UnaryOp(operand=one)
            | ast.Subscript(value=one)
            | ast.Starred(value=one)
            | ast.ListComp(elt=one)
            | ast.GeneratorExp(elt=one)
            | ast.SetComp(elt=one)
        ):
            parts = [one]
        case ast.Call(func=ast.Name(id=called), args=args) if called in {*CALLS, *KEEP}:
            parts = args
    return parts


def _computes(node: ast.AST, names: set[str]) -> bool:
    match node:
        case ast.BinOp(left=left, right=right):
            return _is_quantity(left, names) or _is_quantity(right, names)
        case ast.AugAssign(target=target, value=value):
            return _is_quantity(target, names) or _is_quantity(value, names)
        case ast.Call(func=ast.Name(id=called) | ast.Attribute(attr=called), args=args):
            return called in CALLS and any(_is_quantity(one, names) for one in args)
    return False
