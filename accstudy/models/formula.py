"""The fixed part of a formula, written out into its terms.

The grammar is that of R's model formulas: ``+``, ``-``, ``:``, ``*``, ``/``, ``**`` or ``^``
with a whole number, parentheses, ``0``, ``1``, column names (in backticks if they are no plain
words) and expressions of them such as ``log(path_mm)`` or ``I(x**2)``. Terms are sets and
their number is limited, so no formula takes long to read.
"""

from __future__ import annotations

import re

from accstudy.errors import InputError

__all__ = ["Parts", "expand"]

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
    """Terms of the fixed part of a formula.

    Parameters
    ----------
    text : str
        What stands right of the tilde.

    Returns
    -------
    list of tuple of str
        Parts of each term, lowest order first; the intercept, unless it is taken out, is
        empty and first. Names lose their backticks, expressions their spaces.

    Raises
    ------
    InputError
        If the text cannot be read, is too long, or stands for too many terms.

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
