"""Random terms: which rows share a random effect, and which terms cannot be separated.

Every term is a sparse matrix Z with a row a row of data and a column a random effect; all
effects of a term have one variance. ``a`` and ``a:b`` put a 1 where a row has the level,
``x | a`` the centred covariate, ``implants`` what each implant's position does to a pair.
``a by t`` gives every level of t a variance of its own: one term a level, named ``a[level]``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from accstudy.errors import Finding, InputError, remark, warning
from accstudy.words.catalogue import say

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FEW_LEVELS = 3

IMPLANTS = "implants"
"""Random term of the implants that pairs share."""

SITES = ("pair", "implant")
"""Columns that name what a row is about."""

ENDS = ("implant_a", "implant_b")
"""Columns that name the two implants of a pair."""

DIRECTION = ("direction_x", "direction_y", "direction_z")
"""Columns with the direction from the first implant of a pair to the second."""


@dataclass(frozen=True)
class Grouping:
    """One random term.

    `name` joins columns by ``:``, ``covariate | columns`` for slopes; `z`, (n, levels), sparse, is
    what each effect is multiplied with in each row; `labels` name the levels, one an effect.
    """

    name: str
    z: Any
    labels: tuple[str, ...]


def joined(columns: Sequence[pd.Series], sign: str = ":") -> pd.Series:
    """Join texts row by row so that different rows never read alike.

    Where they would, texts that hold the sign themselves are put in double quotes.

    Examples
    --------
    >>> joined([pd.Series(["x:1", "x"]), pd.Series(["2", "1:2"])]).tolist()
    ['"x:1":2', 'x:"1:2"']
    >>> joined([pd.Series(["x:1", "x"]), pd.Series(["2", "3"])]).tolist()
    ['x:1:2', 'x:3']
    """
    texts = [column.astype(str) for column in columns]
    plain = _with_sign(texts, sign)
    if len(texts) == 1 or not any(t.str.contains(sign, regex=False).any() for t in texts):
        return plain
    if len(plain.unique()) == len(pd.concat(texts, axis=1).drop_duplicates()):
        return plain
    quoted = []
    for text in texts:
        odd = text.str.contains(sign, regex=False) | text.str.contains('"', regex=False)
        quoted.append(text.where(~odd, '"' + text.str.replace('"', '""', regex=False) + '"'))
    return _with_sign(quoted, sign)


def _with_sign(texts: Sequence[pd.Series], sign: str) -> pd.Series:
    out = texts[0]
    for text in texts[1:]:
        out = out + sign + text
    return out


def numbered(columns: Sequence[pd.Series]) -> tuple[Ints, tuple[str, ...]]:
    """Number the combinations of levels that occur, in sorted order; and their names."""
    codes, labels = pd.factorize(joined(columns).to_numpy(object), sort=True)
    return codes.astype(np.int64), tuple(map(str, labels))


def expand_random(random: Sequence[str]) -> list[str]:
    """Write nesting out.

    Examples
    --------
    >>> expand_random(["model", "operator/session"])
    ['model', 'operator', 'operator:session']
    >>> expand_random(["path_mm | scan"])
    ['path_mm | scan']
    >>> expand_random(["scan by technique"])
    ['scan by technique']
    """
    out: list[str] = []
    for whole in random:
        entry, by, factor = whole.partition(" by ")
        covariate, bar, columns = entry.rpartition("|")
        parts = [":".join(q.strip() for q in p.split(":")) for p in columns.split("/")]
        pieces = [q for p in parts for q in p.split(":")]
        readable = all(pieces) and bool(bar) == bool(covariate.strip())
        if not readable or bool(by) != bool(factor.strip()):
            raise InputError(
                f'cannot read the random term "{whole}"',
                hint='write "a", "a:b", "a/b", "x | a" or "a by t"',
            )
        before = f"{covariate.strip()} | " if bar else ""
        after = f" by {factor.strip()}" if by else ""
        out += [before + ":".join(parts[: i + 1]) + after for i in range(len(parts))]
    return list(dict.fromkeys(out))


def groupings(
    random: Sequence[str], data: pd.DataFrame, orthonormal: Floats
) -> tuple[list[Grouping], list[Finding]]:
    """Number the levels of every random term, most levels first; leave out those without
    information, each with a finding. `orthonormal`, (n, p), is the fixed part.
    """
    found: list[Grouping] = []
    findings: list[Finding] = []
    probe = np.random.default_rng(0).normal(size=(len(data), 2))
    seen: dict[str, Floats] = {}
    for grouping in _all_terms(random, data):
        name = grouping.name
        mark = grouping.z @ (grouping.z.T @ probe)  # the term's covariance, as seen by a probe
        why = _unusable(grouping, mark, probe, seen, orthonormal)
        if why is not None:
            findings.append(why)
            continue
        found.append(grouping)
        seen[name] = mark
        levels = len(grouping.labels) // (len(DIRECTION) if _by_implant(name, data) else 1)
        if levels <= FEW_LEVELS:
            what = say("findings.random_term_has_only", name=name, levels=levels)
            findings.append(remark("random-few-levels", what))
    return sorted(found, key=lambda g: -len(g.labels)), findings


def random_columns(random: Sequence[str], data: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Columns that random terms group by, and those that must hold numbers.

    Examples
    --------
    >>> random_columns(["operator/session", "path_mm | scan"], pd.DataFrame())
    (['operator', 'session', 'scan'], ['path_mm'])
    >>> random_columns(["implants:scan"], pd.DataFrame(columns=[*ENDS, *DIRECTION]))[0]
    ['implant_a', 'implant_b', 'scan']
    """
    groups: list[str] = []
    numbers: list[str] = []
    for whole in expand_random(random):
        name, _, factor = whole.partition(" by ")
        groups += [factor] if factor else []
        covariate, _, columns = name.rpartition(" | ")
        numbers += [covariate] if covariate else []
        for column in columns.split(":"):
            if column == IMPLANTS and _by_implant(column, data):
                groups += ENDS
                numbers += [c for c in DIRECTION if c in data]
            else:
                groups.append(column)
    return list(dict.fromkeys(groups)), list(dict.fromkeys(numbers))


def _all_terms(random: Sequence[str], data: pd.DataFrame) -> list[Grouping]:
    """Every random term; one a level where the levels of a factor have variances of their own."""
    out = []
    for whole in expand_random(random):
        name, _, factor = whole.partition(" by ")
        grouping = _number(name, data)
        levels = data[factor].astype(str) if factor else pd.Series([], dtype=object)
        if len(levels.unique()) < 2:
            out.append(grouping)
            continue
        for level in sorted(levels.unique()):
            here = sparse.diags_array((levels == level).to_numpy(float))
            z = sparse.csc_array(here @ grouping.z)
            z.eliminate_zeros()
            used = np.flatnonzero(np.diff(z.indptr))
            labels = tuple(grouping.labels[i] for i in used)
            out.append(Grouping(f"{name}[{level}]", sparse.csr_array(z[:, used]), labels))
    return out


def _by_implant(name: str, data: pd.DataFrame) -> bool:
    """Whether a term is that of the implants that pairs share, not one of a column's."""
    return IMPLANTS in name.rpartition(" | ")[2].split(":") and IMPLANTS not in data


def _number(name: str, data: pd.DataFrame) -> Grouping:
    covariate, _, grouped = name.rpartition(" | ")
    if _by_implant(name, data):
        return _implants(name, covariate, grouped.split(":"), data)
    codes, labels = numbered([data[c] for c in grouped.split(":")])
    values = np.ones(len(data))
    if covariate:
        values = data[covariate].to_numpy(float)
        spread = float(values.std())
        values = (values - values.mean()) / spread if spread > 0 else np.zeros(len(data))
    z = sparse.csr_array((values, (np.arange(len(data)), codes)), shape=(len(data), len(labels)))
    return Grouping(name, z, labels)


def _implants(name: str, covariate: str, parts: list[str], data: pd.DataFrame) -> Grouping:
    """Errors of the positions of implants, as the pairs that share them see them.

    The deviation of a distance is ``(e_b - e_a) . u`` with u the direction of the pair, so
    its row holds -u and +u in the three columns of its implants, which have one variance:
    an isotropic error, whatever the frame of u. Without directions (the size of a
    deviation) both implants of a pair count alike.
    """
    if covariate:
        raise InputError(
            f'the random term "{name}" asks for slopes by implants',
            hint=f'write "{IMPLANTS}" or "{IMPLANTS}:technique"',
        )
    others = [data[c] for c in parts if c != IMPLANTS]
    within = [data["model"]] if "model" in data and "model" not in parts else []
    ends = [pd.concat([data[ENDS[0]], data[ENDS[1]]], ignore_index=True)]
    twice = [pd.concat([c, c], ignore_index=True) for c in (*within, *others)]
    codes, labels = numbered([*twice[: len(within)], *ends, *twice[len(within) :]])
    n, rows = len(data), np.tile(np.arange(len(data)), 2)
    if not set(DIRECTION) <= set(data.columns):
        ones = np.ones(2 * n)
        return Grouping(
            name, sparse.csr_array((ones, (rows, codes)), shape=(n, len(labels))), labels
        )
    u = data[list(DIRECTION)].to_numpy(float)
    signed = np.concatenate([-u, u]).ravel()
    columns = (3 * codes[:, None] + np.arange(3)).ravel()
    z = sparse.csr_array((signed, (np.repeat(rows, 3), columns)), shape=(n, 3 * len(labels)))
    return Grouping(name, z, tuple(f"{label} {axis}" for label in labels for axis in "xyz"))


def _unusable(
    grouping: Grouping, mark: Floats, probe: Floats, seen: dict[str, Floats], orthonormal: Floats
) -> Finding | None:
    if len(grouping.labels) == 1:
        return remark(
            "random-one-level",
            say("findings.random_term_has_a", name=grouping.name),
            mend=say("findings.results_are_valid_only"),
        )
    total = float(grouping.z.multiply(grouping.z).sum())
    if total == 0:
        return remark("random-empty", say("findings.random_term_is_zero", name=grouping.name))
    if _alike(mark, probe):
        return remark(
            "random-no-replicate", say("findings.random_term_has_one", name=grouping.name)
        )
    for name, other in seen.items():
        if _alike(mark, other):
            return remark(
                "random-aliased",
                say("findings.random_terms_and_group", name=grouping.name, name_2=name),
            )
    inside = grouping.z.T @ orthonormal
    if total - float(np.sum(inside * inside)) <= 1e-8 * total:
        return warning(
            "random-in-fixed",
            say("findings.random_term_is_already", name=grouping.name),
            mend=say("findings.replicate_the_fixed_levels"),
        )
    return None


def _alike(one: Floats, other: Floats) -> bool:
    """Whether one covariance is a multiple of another, as seen by the same probe."""
    size = float(np.sum(one * one) * np.sum(other * other))
    return float(np.sum(one * other)) ** 2 >= size * (1 - 1e-12)
