"""One compared number a row: what is published, what comes out here, how many digits agree."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from accstudy.selftest.published import Case
from accstudy.tables import shape

__all__ = ["Row", "as_table", "compare", "flat", "last_digit"]

_NEARLY = 1e-6
"""Relative tolerance of numbers that were recomputed to many digits."""

_ZERO = 1e-12
"""Numbers below count as zero when digits are counted."""


@dataclass(frozen=True, slots=True)
class Row:
    """One number, as published and as computed here.

    Parameters
    ----------
    topic, case, quantity : str
        Where it belongs.
    kind : {"printed", "program", "closed form", "simulated"}
        ``printed`` in a standard, paper, handbook or manual; ``program``: computed by
        another program; ``closed form``: derived, or the data were made to have it;
        ``simulated``: put into a simulation.
    source : str
        Document, clause, table.
    published, here : float or str
        The two to compare.
    tolerance : float
        Largest difference that agrees; 0 for counts, decisions and words.
    from_memory : bool
        The printed number was written down from memory, not read in its source.
    """

    topic: str
    case: str
    quantity: str
    kind: str
    source: str
    published: float | str
    here: float | str
    tolerance: float = 0.0
    from_memory: bool = False

    @property
    def agrees(self) -> bool:
        """Whether the two differ by no more than the tolerance."""
        if isinstance(self.published, str) or isinstance(self.here, str):
            return self.published == self.here
        # one part in 1e12 for the way from decimals to doubles and back
        slack = 1e-12 * (abs(self.published) + self.tolerance)
        return abs(self.here - self.published) <= self.tolerance + slack

    @property
    def digits(self) -> float:
        """Leading digits that agree, 15 when all do; decimals where zero is known."""
        if isinstance(self.published, str) or isinstance(self.here, str):
            return math.nan
        off = abs(self.here - self.published)
        if off == 0:
            return 15.0
        if not math.isfinite(off):
            return 0.0
        size = abs(self.published) if abs(self.published) > _ZERO else 1.0
        return float(np.clip(-math.log10(off / size), 0.0, 15.0))


def compare(topic: str, example: Case, found: Mapping[str, Any], *, near: float = 0.0) -> list[Row]:
    """Set what was computed beside every number that an example has for it.

    Parameters
    ----------
    topic : str
        Folder of the example.
    example : Case
        The example.
    found : mapping
        Quantity to number, text or list, as in the example.
    near : float
        Smallest absolute tolerance of recomputed numbers.

    Returns
    -------
    list of Row
        Printed numbers with the example's tolerance, recomputed ones to a
        millionth or, where fewer digits are on the shelf, half of the last.
    """
    rows = []
    for quantity, here in found.items():
        for kind, told in (("published", example.published), ("recomputed", example.computed)):
            if quantity not in told:
                continue
            values = flat(told[quantity])
            tolerance = (
                float(example.tolerance.get(quantity, 0.0))
                if kind == "published"
                else max(near, _recomputed([v for _, v in values]))
            )
            here_flat = dict(flat(here))
            rows += [
                Row(
                    topic,
                    example.id,
                    f"{quantity} {place}".strip(),
                    example.origin if kind == "published" else "program",
                    example.source,
                    value,
                    here_flat.get(place, "missing"),
                    tolerance,
                    from_memory=kind == "published" and example.from_memory,
                )
                for place, value in values
            ]
            if len(here_flat) > len(values):
                rows.append(
                    Row(topic, example.id, f"{quantity}, how many", "closed form", example.source,
                        float(len(values)), float(len(here_flat)))
                )  # fmt: skip
    return rows


def flat(value: Any) -> list[tuple[str, float | str]]:
    """Take a number, a text or a (nested) list apart: place, counted from 1, and value.

    Examples
    --------
    >>> flat([[1, 2], [3, 4]])
    [('1,1', 1.0), ('1,2', 2.0), ('2,1', 3.0), ('2,2', 4.0)]
    """
    return list(_flat(value, ""))


def _flat(value: Any, place: str) -> Iterator[tuple[str, float | str]]:
    if isinstance(value, str):
        yield place, value
    elif isinstance(value, Sequence | np.ndarray | pd.Series) and np.ndim(value):
        for number, part in enumerate(value, start=1):
            yield from _flat(part, f"{place},{number}" if place else str(number))
    else:
        yield place, float(value)


def last_digit(value: float) -> float:
    """Unit of the last digit with which a number is on the shelf.

    Examples
    --------
    >>> last_digit(2.63), last_digit(12.0)
    (0.01, 1.0)
    """
    exponent = Decimal(repr(float(value))).normalize().as_tuple().exponent
    return float(10.0 ** min(int(exponent), 0))


def _recomputed(values: list[float | str]) -> float:
    numbers = [v for v in values if not isinstance(v, str)]
    if not numbers:
        return 0.0
    scale = max(abs(v) for v in numbers)
    unit = min(last_digit(v) for v in numbers)
    return max(_NEARLY * scale, 0.51 * unit if unit < 1 else 0.0)


def as_table(rows: list[Row]) -> pd.DataFrame:
    """Write rows as the table ``selftest``; numbers as text with all their digits."""
    return shape(
        "selftest",
        pd.DataFrame(
            [
                {
                    "topic": r.topic,
                    "case": r.case,
                    "quantity": r.quantity,
                    "kind": r.kind,
                    "from_memory": r.from_memory,
                    "source": r.source,
                    "published": _text(r.published),
                    "here": _text(r.here),
                    "tolerance": f"{r.tolerance:.3g}",
                    "digits": None if math.isnan(r.digits) else round(r.digits, 1),
                    "verdict": "agrees" if r.agrees else "differs",
                }
                for r in rows
            ]
        ),
    )


def _text(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.12g}"
