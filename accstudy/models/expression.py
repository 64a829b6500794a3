"""Columns and simple expressions of them, such as ``log(abs(distance_um))``.

A study folder may come from anybody, so a formula is never run as Python: only
arithmetic and the functions named here are understood.
"""

from __future__ import annotations

import ast
import keyword
import operator
import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.errors import InputError, nearest

__all__ = ["FUNCTIONS", "alias_keywords", "columns_of", "evaluate", "unalias"]

Floats = npt.NDArray[np.float64]

FUNCTIONS: Mapping[str, Callable[[Any], Any]] = {
    "log": np.log,
    "log2": np.log2,
    "log10": np.log10,
    "exp": np.exp,
    "sqrt": np.sqrt,
    "abs": np.abs,
    "I": lambda x: x,
}
"""Functions that a formula may use."""

_OPERATORS: Mapping[type[ast.AST], Callable[..., Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
    ast.USub: operator.neg,
    ast.UAdd: operator.pos,
}

_MARK = "__named_"


def alias_keywords(text: str) -> str:
    """Make words of the Python language and names in backticks plain identifiers.

    Examples
    --------
    >>> alias_keywords("log(yield) + `my col`")
    'log(__named_yield) + __named_6d7920636f6c_hex'
    >>> unalias(alias_keywords("log(yield) + `my col`"))
    'log(yield) + my col'
    """
    words = r"\b(" + "|".join(keyword.kwlist) + r")\b"
    pieces = re.split(r"(`[^`]*`)", text)
    return "".join(
        f"{_MARK}{piece[1:-1].encode().hex()}_hex"
        if piece.startswith("`")
        else re.sub(words, _MARK + r"\1", piece)
        for piece in pieces
    )


def unalias(text: str) -> str:
    """Undo `alias_keywords`, without backticks."""
    plain = re.sub(
        _MARK + r"([0-9a-f]+)_hex", lambda match: bytes.fromhex(match.group(1)).decode(), text
    )
    return plain.replace(_MARK, "")


LENGTH = 500
"""Characters that an expression may have."""

DEPTH = 40
"""Operations within operations."""
_ALLOWED = "use numbers, columns, + - * / **, and functions such as log(column)"


def _tree(text: str) -> ast.expr:
    short = unalias(text) if len(text) <= 80 else unalias(text)[:77] + "..."
    if len(text) > LENGTH or text.count("(") > DEPTH:
        raise InputError(f'the expression "{short}" is too long')
    try:
        tree = ast.parse(alias_keywords(text).strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise InputError(f'cannot read "{short}"', hint=_ALLOWED) from None
    level, depth = [tree], 0
    while level:
        depth += 1
        if depth > DEPTH:
            raise InputError(f'the expression "{short}" holds operations {DEPTH} deep or more')
        level = [c for n in level for c in ast.iter_child_nodes(n) if isinstance(c, ast.expr)]
    return tree


def columns_of(text: str) -> list[str]:
    """Names of the columns that an expression uses, in order.

    Examples
    --------
    >>> columns_of("log(abs(distance_um) / span_mm)")
    ['distance_um', 'span_mm']
    """
    tree = _tree(text)
    functions = {id(n.func) for n in ast.walk(tree) if isinstance(n, ast.Call)}
    names = [
        (n.col_offset, unalias(n.id))
        for n in ast.walk(tree)
        if isinstance(n, ast.Name) and id(n) not in functions
    ]
    return list(dict.fromkeys(name for _, name in sorted(names)))


def evaluate(text: str, data: pd.DataFrame) -> Floats:
    """Work out an expression for every row.

    Parameters
    ----------
    text : str
        A column name, or arithmetic with `FUNCTIONS`.
    data : DataFrame
        Where the columns are.

    Returns
    -------
    (n,) ndarray of float
        Not finite where the expression has no value, such as the log of zero.

    Raises
    ------
    InputError
        If a column or function is unknown, or a column holds no numbers.

    Examples
    --------
    >>> evaluate("sqrt(yield) + 1", pd.DataFrame({"yield": [4.0, 9.0]})).tolist()
    [3.0, 4.0]
    """
    with np.errstate(all="ignore"):
        value = _value(_tree(text), data, unalias(text))
    out = np.asarray(value, float)
    return out if out.ndim else np.full(len(data), float(out))


def _value(node: ast.expr, data: pd.DataFrame, text: str) -> Any:
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        try:  # a number of numpy's: what has no value is not finite, nothing stops
            return np.float64(node.value)
        except OverflowError:
            return np.float64("inf")
    if isinstance(node, ast.Name):
        name = unalias(node.id)
        if name not in data.columns:
            raise InputError(
                f'"{text}" names the column "{name}", which is missing from the data',
                hint=nearest(name, [str(c) for c in data.columns]),
            )
        try:
            return pd.to_numeric(data[name]).to_numpy(float, na_value=np.nan)
        except (TypeError, ValueError):
            raise InputError(f'column "{name}" in "{text}" does not contain numbers') from None
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        left, right = _value(node.left, data, text), _value(node.right, data, text)
        return _OPERATORS[type(node.op)](left, right)
    if isinstance(node, ast.UnaryOp) and type(node.op) in _OPERATORS:
        return _OPERATORS[type(node.op)](_value(node.operand, data, text))
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and len(node.args) == 1:
        if node.func.id in FUNCTIONS and not node.keywords:
            return FUNCTIONS[node.func.id](_value(node.args[0], data, text))
        raise InputError(
            f'"{text}" uses the unknown function "{node.func.id}"',
            hint=nearest(node.func.id, list(FUNCTIONS)),
        )
    raise InputError(f'"{text}" is not a valid expression of columns', hint=_ALLOWED)
