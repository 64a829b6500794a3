"""Random terms: which rows share a random effect, and which terms cannot be told apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.errors import Finding, InputError, Severity

__all__ = ["Grouping", "expand_random", "groupings", "random_columns"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FEW_LEVELS = 3


@dataclass(frozen=True)
class Grouping:
    """One random factor: intercepts, or slopes of a covariate.

    Parameters
    ----------
    name : str
        Columns joined by ``:``; ``covariate | columns`` for slopes.
    codes : (n,) ndarray of int
        Level of each row.
    labels : tuple of str
        Names of the levels.
    loadings : (n,) ndarray
        What the effect is multiplied with: 1, or the covariate less its mean and
        divided by its standard deviation.
    """

    name: str
    codes: Ints
    labels: tuple[str, ...]
    loadings: Floats


def expand_random(random: Sequence[str]) -> list[str]:
    """Write nesting out.

    Examples
    --------
    >>> expand_random(["model", "operator/session"])
    ['model', 'operator', 'operator:session']
    >>> expand_random(["path_mm | scan"])
    ['path_mm | scan']
    """
    out: list[str] = []
    for entry in random:
        covariate, bar, columns = entry.rpartition("|")
        parts = [p.strip() for p in columns.split("/")]
        if not all(parts) or bool(bar) != bool(covariate.strip()):
            raise InputError(
                f'cannot read the random term "{entry}"', hint='write "a", "a/b" or "x | a"'
            )
        before = f"{covariate.strip()} | " if bar else ""
        out += [before + ":".join(parts[: i + 1]) for i in range(len(parts))]
    return list(dict.fromkeys(out))


def groupings(
    random: Sequence[str], data: pd.DataFrame, orthonormal: Floats
) -> tuple[list[Grouping], list[Finding]]:
    """Number the levels of every random factor; leave out those without information.

    Parameters
    ----------
    random : sequence of str
        ``a``, ``a:b`` or ``a/b``; ``x | a`` for slopes of a column x.
    data : DataFrame
        The rows of the model.
    orthonormal : (n, p) ndarray
        Fixed part with orthonormal columns.

    Returns
    -------
    groupings : list of Grouping
        Most levels first.
    findings : list of Finding
        A warning or note for every random term that was left out.
    """
    found: list[Grouping] = []
    findings: list[Finding] = []
    for name in expand_random(random):
        grouping = _number(name, data)
        why = _unusable(grouping, found, orthonormal)
        if why is None:
            found.append(grouping)
            if len(grouping.labels) <= FEW_LEVELS:
                findings.append(_few(grouping))
        else:
            findings.append(why)
    return sorted(found, key=lambda g: -len(g.labels)), findings


def random_columns(random: Sequence[str]) -> tuple[list[str], list[str]]:
    """Columns that random terms group by, and those whose slopes vary.

    Examples
    --------
    >>> random_columns(["operator/session", "path_mm | scan"])
    (['operator', 'session', 'scan'], ['path_mm'])
    """
    groups: list[str] = []
    slopes: list[str] = []
    for name in expand_random(random):
        covariate, _, columns = name.rpartition(" | ")
        groups += columns.split(":")
        slopes += [covariate] if covariate else []
    return list(dict.fromkeys(groups)), list(dict.fromkeys(slopes))


def _number(name: str, data: pd.DataFrame) -> Grouping:
    covariate, _, grouped = name.rpartition(" | ")
    columns = [data[c].astype(str) for c in grouped.split(":")]
    joined = columns[0]
    for column in columns[1:]:
        joined = joined + ":" + column
    codes, labels = pd.factorize(joined.to_numpy(object), sort=True)
    values = np.ones(len(data))
    if covariate:
        values = data[covariate].to_numpy(float)
        spread = float(values.std())
        values = (values - values.mean()) / spread if spread > 0 else np.zeros(len(data))
    return Grouping(name, codes.astype(np.int64), tuple(map(str, labels)), values)


def _unusable(grouping: Grouping, before: list[Grouping], orthonormal: Floats) -> Finding | None:
    n, levels = len(grouping.codes), len(grouping.labels)
    if levels == 1:
        return Finding(
            Severity.NOTE,
            "random-one-level",
            f'random term "{grouping.name}" has a single level, so its spread cannot be seen',
            mend="results hold for this level only",
        )
    if levels == n:
        return Finding(
            Severity.NOTE,
            "random-no-replicate",
            f'random term "{grouping.name}" has one row a level, so it cannot be told from the '
            "residual",
        )
    for other in before:
        if not np.array_equal(grouping.loadings, other.loadings):
            continue
        pairs = len(np.unique(grouping.codes * np.int64(len(other.labels)) + other.codes))
        if pairs == levels == len(other.labels):
            return Finding(
                Severity.NOTE,
                "random-aliased",
                f'random terms "{grouping.name}" and "{other.name}" group the rows alike; '
                f'their spread is shown once, as "{other.name}"',
            )
    total = float(grouping.loadings @ grouping.loadings)
    sums = np.zeros((levels, orthonormal.shape[1]))
    np.add.at(sums, grouping.codes, orthonormal * grouping.loadings[:, None])
    if total - float(np.sum(sums * sums)) <= 1e-8 * total:
        return Finding(
            Severity.WARNING,
            "random-in-fixed",
            f'random term "{grouping.name}" is already part of the fixed effects, so its spread '
            "cannot be seen and tests do not cover it",
            mend="replicate the fixed levels over more levels of it, or leave it out",
        )
    return None


def _few(grouping: Grouping) -> Finding:
    return Finding(
        Severity.NOTE,
        "random-few-levels",
        f'random term "{grouping.name}" has only {len(grouping.labels)} levels: its spread is '
        "poorly known and tests against it have few degrees of freedom",
    )
