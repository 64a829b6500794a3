"""Published examples: their data, printed results and sources.

A topic is a folder below ``selftest/data``. Its ``cases.toml`` holds one ``[[case]]``
an example, with the data beside it as CSV; further CSV files are printed tables.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

import pandas as pd

from accstudy.errors import InputError, nearest

__all__ = ["Case", "case", "cases", "table", "topics"]


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
        """A copy of the data.

        Raises
        ------
        InputError
            If the example has none.
        """
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
    """Read one CSV file of a topic, such as a printed table of critical values.

    Parameters
    ----------
    topic : str
        Folder below ``selftest/data``.
    name : str
        File name without ``.csv``.

    Returns
    -------
    DataFrame
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
    """Read the published examples of a topic.

    Parameters
    ----------
    topic : str
        Folder below ``selftest/data``, such as ``iso5725``.
    group : str, optional
        Only those about this.

    Returns
    -------
    tuple of Case
        In the order of the file.

    Examples
    --------
    >>> [c.id for c in cases("iso5725", "gauge")]
    ['msa_linearity', 'msa_grr']
    """
    return tuple(c for c in _cases(topic) if group is None or c.group == group)


def case(topic: str, name: str) -> Case:
    """Read one published example by its id.

    Examples
    --------
    >>> case("iso5725", "gum_g4_product").published["nu_eff"]
    19.0
    """
    known = {c.id: c for c in _cases(topic)}
    if name not in known:
        raise InputError(
            f'no published example "{name}" on "{topic}"', hint=nearest(name, list(known))
        )
    return known[name]
