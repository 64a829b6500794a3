"""Formulas of models: the terms of the fixed part, and expressions of columns.

The grammar is that of R's model formulas: ``+``, ``-``, ``:``, ``*``, ``/``, ``**`` or ``^``
with a whole number, parentheses, ``0``, ``1``, column names (in backticks if they are no plain
words) and expressions of them such as ``log(path_mm)`` or ``I(x**2)``. Terms are sets and
their number is limited, so no formula takes long to read. A study folder may come from anybody,
so an expression is never run as Python: only arithmetic and the functions named here are
understood.
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

Parts = tuple[str, ...]
"""Parts of one term, in the order of the formula; none for the intercept."""

LENGTH = 2000
"""Characters that a formula may have."""

TERMS = 300
"""Terms that a formula may stand for."""

DEPTH = 30
"""Parentheses within parentheses."""

_TOKEN = re.compile(r"\s*(`[^`]*`|[^\W\d]\w*\s*\(|[^\W\d]\w*|\d+|\*\*|[-+*/:^()])")

_Terms = dict[frozenset[str], Parts]


def expand(text: str) -> list[Parts]:
    """Terms of the fixed part of a formula, the text right of the tilde: the parts of each.

    Lowest order first; the intercept, unless it is taken out, is empty and first. Names lose their
    backticks, expressions their spaces. InputError if the text cannot be read, is too long, or
    stands for too many terms.

    References
    ----------
    Wilkinson, Rogers: Symbolic description of factorial models for analysis of variance,
    J. R. Stat. Soc. C 22 (1973) 392-399.

    Examples
    --------
    >>> expand("technique * angulation_deg")
    [(), ('technique',), ('angulation_deg',), ('technique', 'angulation_deg')]
    >>> expand("0 + a / I(x ** 2)")
    [('a',), ('a', 'I(x**2)')]
    """
    return _Reader(text).terms()


class _Reader:
    """Recursive descent over the tokens of one formula."""

    def __init__(self, text: str) -> None:
        self.text, self.depth, self.at = text, 0, 0
        if len(text) > LENGTH:
            raise InputError(f"a formula of {len(text)} characters is too long")
        self.tokens = self._tokens(text)

    def _cannot(self, why: str = "") -> InputError:
        return InputError(
            f'cannot read the formula "{self.text.strip()}"' + (f": {why}" if why else ""),
            hint="join columns by +, :, * or /, such as technique * angulation_deg + path_mm",
        )

    def _tokens(self, text: str) -> list[str]:
        found, at = [], 0
        while text[at:].strip():
            match = _TOKEN.match(text, at)
            if not match:
                raise self._cannot(f'"{text[at:].strip()[0]}" is not understood')
            token, at = match.group(1), match.end()
            if token.endswith("("):
                name = token[:-1].strip()
                if name:
                    end = self._closing(text, at)
                    inside = text[at:end]
                    plain = "".join(
                        piece if piece.startswith("`") else re.sub(r"\s+", "", piece)
                        for piece in re.split(r"(`[^`]*`)", inside)
                    )
                    token, at = f"{name}({plain})", end + 1
            found.append(token)
        return found

    def _closing(self, text: str, at: int) -> int:
        depth = 1
        for i in range(at, len(text)):
            depth += {"(": 1, ")": -1}.get(text[i], 0)
            if not depth:
                return i
        raise self._cannot("a parenthesis is not closed")

    def terms(self) -> list[Parts]:
        """All terms, lowest order first."""
        if not self.tokens:
            raise self._cannot("it is empty; write 1 for a mean only")
        found = self._sum(intercept=True)
        if self.at < len(self.tokens):
            raise self._cannot(f'"{self.tokens[self.at]}" is unexpected')
        if not found:
            raise self._cannot("it has no term; write 1 for a mean only")
        return sorted(found.values(), key=len)

    def _next(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def _take(self) -> str:
        token = self._next()
        self.at += 1
        return token

    def _sum(self, *, intercept: bool = False) -> _Terms:
        out: _Terms = {frozenset(): ()} if intercept else {}
        sign = self._take() if self._next() in ("+", "-") else "+"
        while True:
            if self._next() == "0":
                self._take()
                if sign == "+":
                    out.pop(frozenset(), None)
                else:
                    out[frozenset()] = ()
            else:
                new = self._product()
                for key, parts in new.items():
                    if sign == "+":
                        out.setdefault(key, parts)
                    else:
                        out.pop(key, None)
            self._limit(out)
            if self._next() not in ("+", "-"):
                return out
            sign = self._take()

    def _product(self) -> _Terms:
        left = self._interaction()
        while self._next() in ("*", "/"):
            crossed = self._take() == "*"
            right = self._interaction()
            whole = left
            if not crossed:  # nested in everything on the left
                parts = tuple(dict.fromkeys(p for term in left.values() for p in term))
                whole = {frozenset(parts): parts}
            both = self._cross(whole, right)
            left = {**left, **(right if crossed else {}), **both}
            self._limit(left)
        return left

    def _interaction(self) -> _Terms:
        left = self._power()
        while self._next() == ":":
            self._take()
            left = self._cross(left, self._power())
        return left

    def _power(self) -> _Terms:
        base = self._atom()
        if self._next() not in ("**", "^"):
            return base
        self._take()
        exponent = self._take()
        if not exponent.isdigit() or not 1 <= int(exponent[:4]) <= TERMS:
            raise self._cannot("a power must be a whole number of at least 1")
        out = base
        for _ in range(int(exponent[:4]) - 1):
            more = {**out, **self._cross(out, base)}
            if len(more) == len(out):  # nothing new: higher powers add nothing either
                return out
            out = more
        return out

    def _atom(self) -> _Terms:
        token = self._take()
        if token == "(":
            self.depth += 1
            if self.depth > DEPTH:
                raise self._cannot(f"more than {DEPTH} parentheses within each other")
            inside = self._sum()
            self.depth -= 1
            if self._take() != ")":
                raise self._cannot("a parenthesis is not closed")
            return inside
        if token == "1":
            return {frozenset(): ()}
        if not token or not (token[0] in "`_" or token[0].isalpha()):
            raise self._cannot(f'"{token}" is unexpected' if token else "it ends too early")
        name = token[1:-1] if token.startswith("`") else token
        return {frozenset([name]): (name,)}

    def _cross(self, left: _Terms, right: _Terms) -> _Terms:
        out: _Terms = {}
        for a in left.values():
            for b in right.values():
                parts = tuple(dict.fromkeys((*a, *b)))
                out.setdefault(frozenset(parts), parts)
            self._limit(out)
        return out

    def _limit(self, terms: _Terms) -> None:
        if len(terms) > TERMS:
            raise self._cannot(f"it expands to more than {TERMS} terms")


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


MOST_SIGNS = 500
"""Characters that an expression may have."""

MOST_NESTED = 40
"""Operations within operations."""
_ALLOWED = "use numbers, columns, + - * / **, and functions such as log(column)"


def _tree(text: str) -> ast.expr:
    short = unalias(text) if len(text) <= 80 else unalias(text)[:77] + "..."
    if len(text) > MOST_SIGNS or text.count("(") > MOST_NESTED:
        raise InputError(f'the expression "{short}" is too long')
    try:
        tree = ast.parse(alias_keywords(text).strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise InputError(f'cannot read "{short}"', hint=_ALLOWED) from None
    level, depth = [tree], 0
    while level:
        depth += 1
        if depth > MOST_NESTED:
            raise InputError(
                f'the expression "{short}" holds operations {MOST_NESTED} deep or more'
            )
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
    """Work out an expression for every row: a column name, or arithmetic with `FUNCTIONS`.

    Not finite where it has no value, such as the log of zero. InputError if a column or function is
    unknown, or a column holds no numbers.

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
