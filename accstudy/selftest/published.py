"""Published examples: data, printed results, sources; and one compared number a row."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from accstudy.errors import InputError, nearest
from accstudy.tables import shape


def _nothing() -> Mapping[str, Any]:
    return MappingProxyType({})


@dataclass(frozen=True)
class Case:
    """One published example.

    Parameters
    ----------
    id : str
        Name of the example, unique within its topic.
    group : str
        What it is about, in a word.
    source : str
        Document, clause, table.
    obtained : str
        How the numbers came here; "from memory" is said where it is so.
    origin : {"printed", "program", "closed form"}
        Whether the results in `published` were printed, given by another program, or derived.
    note : str
        What to know before comparing.
    params : mapping
        Inputs other than the data.
    published : mapping
        Printed results; a number, a text or a list.
    tolerance : mapping
        Absolute tolerance of each printed result; those without one are exact or text.
    computed : mapping
        The same and further quantities recomputed to more digits.
    data : DataFrame or None
        The data, one row an observation.
    """

    id: str
    group: str
    source: str
    obtained: str
    origin: str = "printed"
    note: str = ""
    params: Mapping[str, Any] = field(default_factory=_nothing)
    published: Mapping[str, Any] = field(default_factory=_nothing)
    tolerance: Mapping[str, Any] = field(default_factory=_nothing)
    computed: Mapping[str, Any] = field(default_factory=_nothing)
    data: pd.DataFrame | None = field(default=None, compare=False, repr=False)

    def __str__(self) -> str:
        return self.id

    @property
    def from_memory(self) -> bool:
        """Whether any of the results was written down from memory."""
        return "memory" in f"{self.source} {self.obtained}"

    @property
    def frame(self) -> pd.DataFrame:
        """A copy of the data; InputError if the example has none."""
        if self.data is None:
            raise InputError(f'the published example "{self.id}" has no data file')
        return self.data.copy()


def _folder(topic: str) -> Any:
    folder = resources.files("accstudy.selftest").joinpath("data", topic)
    if not folder.is_dir():
        raise InputError(f'no published examples on "{topic}"', hint=nearest(topic, topics()))
    return folder


def topics() -> tuple[str, ...]:
    """Names of the folders with published examples."""
    root = resources.files("accstudy.selftest").joinpath("data")
    return tuple(sorted(f.name for f in root.iterdir() if f.joinpath("cases.toml").is_file()))


@cache
def _read(topic: str, file: str) -> pd.DataFrame:
    with _folder(topic).joinpath(file).open("rb") as stream:
        raw = pd.read_csv(stream, dtype=str, keep_default_na=False, encoding="utf-8")
    return raw.apply(_typed)


def _typed(column: pd.Series) -> pd.Series:
    """Numbers of a column of text, each read to the nearest double; or the text."""
    kinds: tuple[type[int] | type[float], ...] = (int, float)
    for kind in kinds:
        try:
            return pd.Series(
                [float("nan") if v == "" and kind is float else kind(v) for v in column],
                index=column.index,
            )
        except ValueError:
            continue
    return column


def table(topic: str, name: str) -> pd.DataFrame:
    """Read ``{name}.csv`` of a topic, a folder of ``selftest/data``: printed critical values, say.

    A fresh copy; decimals are read to the nearest double.

    Examples
    --------
    >>> table("iso5725", "tolerance_nonparametric_n")["n_one_sided"].tolist()
    [59, 29, 22, 459]
    """
    return _read(topic, f"{name}.csv").copy()


@cache
def _cases(topic: str) -> tuple[Case, ...]:
    raw = tomllib.loads(_folder(topic).joinpath("cases.toml").read_text(encoding="utf-8"))
    found = []
    for entry in raw["case"]:
        fields: dict[str, Any] = {
            k: MappingProxyType(v) if isinstance(v, dict) else v for k, v in entry.items()
        }
        if "data" in fields:
            fields["data"] = _read(topic, entry["data"])
        found.append(Case(**fields))
    return tuple(found)


def cases(topic: str, group: str | None = None) -> tuple[Case, ...]:
    """Read the published examples of a topic, a folder of ``selftest/data``, in their order.

    >>> [c.id for c in cases("iso5725", "gauge")]
    ['msa_grr']
    """
    return tuple(c for c in _cases(topic) if group is None or c.group == group)


def case(topic: str, name: str) -> Case:
    """Read one published example by its id.

    Examples
    --------
    >>> case("iso5725", "gum_h5_voltage").published["df"]
    9
    """
    known = {c.id: c for c in _cases(topic)}
    if name not in known:
        raise InputError(
            f'no published example "{name}" on "{topic}"', hint=nearest(name, list(known))
        )
    return known[name]


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

    `found` has numbers, texts or lists by quantity, as in the example. Printed numbers have the
    example's tolerance; recomputed ones a millionth, at least `near`, or, where fewer digits are on
    the shelf, half of the last.
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
