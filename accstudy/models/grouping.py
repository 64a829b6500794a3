"""Random terms: which rows share a random effect; what neither terms nor scan list can separate.

Every term is a sparse matrix Z with a row a row of data and a column a random effect; all
effects of a term have one variance. ``a`` and ``a:b`` put a 1 where a row has the level,
``x | a`` the centred covariate, ``implants`` what each implant's position does to a pair.
``a by t`` gives every level of t a variance of its own: one term a level, named ``a[level]``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy  # scipy.sparse loads when it is first used
from scipy import sparse

from accstudy.compare.deviations import models_scanned
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


_SCOPES = ("at equal path", "as it comes")
_NAMES = {"n_implants": "implants", "angulation_deg": "largest angulation"}
_ALIKE = 0.02  # range of a property, relative to its mean, up to which models count as alike


def model_df(frame: pd.DataFrame, covariates: Sequence[str]) -> int:
    """Degrees of freedom that the models leave for what differs between them only.

    Models less the coefficients between them; -1 where these cannot be told apart. Covariates that
    vary within a model do not count.

    Examples
    --------
    >>> four = pd.DataFrame({"model": list("abcd"), "n_implants": [2, 4, 6, 8],
    ...                      "angulation_deg": [10, 30, 20, 12]})
    >>> model_df(four, ["n_implants"]), model_df(four, ["n_implants", "angulation_deg"])
    (2, 1)
    """
    grouped = frame.groupby("model", sort=True)
    between = [c for c in covariates if c in frame and int(grouped[c].nunique().max()) <= 1]
    models = grouped[between].first().astype(float) if between else pd.DataFrame()
    n = grouped.ngroups
    if not between:
        return n - 1
    x = models.to_numpy(float)
    x = np.column_stack([np.ones(n), (x - x.mean(0)) / np.maximum(x.std(0), 1e-300)])
    rank = int(np.linalg.matrix_rank(x, tol=1e-8))
    return n - rank if rank == x.shape[1] else -1


def effect_notes(pairs: pd.DataFrame) -> pd.DataFrame:
    """Whether the scanned models let the effect of angulation and implant count be stated.

    Table ``model_effect_notes`` of ``pair_deviations``: why not, or what else differs, and which
    models would help.
    """
    models = models_scanned(pairs)
    rows = []
    for scope in _SCOPES:
        frame = pairs if scope == "at equal path" else models
        names = ["angulation_deg", "n_implants"]
        levels = {c: int(frame[c].astype(float).round().nunique()) for c in names}
        asked = [c for c in names if levels[c] > 1]
        between = [c for c in asked if frame.groupby("model")[c].nunique().max() <= 1]
        for column in names:
            df = model_df(frame, asked) if column in between else None
            stated, why, add = _note(models, column, levels[column], between, df)
            rows.append((scope, column, stated, levels[column], len(models), df, why, add))
    names = ["scope", "covariate", "stated", "n_levels", "n_models", "df_models", "why", "to_add"]
    return pd.DataFrame(rows, columns=names)


def _note(
    models: pd.DataFrame, column: str, levels: int, between: Sequence[str], df: int | None
) -> tuple[bool, str, str]:
    count = column == "n_implants"
    other = (
        say("model_results.another_number_of_implants")
        if count
        else say("model_results.another_angulation")
    )
    if levels < 2:
        value = float(models[column].iloc[0])
        same = (
            say("model_results.implants_value", value=value)
            if count
            else say("model_results.the_angulation", value=value)
        )
        return (
            False,
            say("model_results.every_model_has", same=same),
            say("model_results.two_models_each_with", other=other),
        )
    if df is None:
        return True, "", ""
    two = (
        say("model_results.two_models_with_each")
        if count
        else say("model_results.two_models_with_each_2")
    )
    if df < 0:
        return (
            False,
            say("model_results.implant_count_and_angulation")
            + "; ".join(_described(models, between)),
            say("model_results.models_in_which_every"),
        )
    if df == 0:
        why = say("model_results.models_leave_no_degree", models=len(models))
        return (
            False,
            why + "; ".join(_described(models, between)),
            say("model_results.with_the_same_span", two=two),
        )
    single = models.groupby(models[column].astype(float).round()).size() == 1
    if not single.any():
        return True, "", ""
    apart = _differing(models, column)
    whose = "each" if single.all() else _listed(single.index[single].astype(float).tolist())
    what = say("model_results.number_of_implants") if count else "angulation"
    said = (
        say("model_results.a_single_model_has", whose=whose, what=what)
        if single.all()
        else say("model_results.a_single_model_has_2", whose=whose)
    )
    if not single.all():
        said += say("model_results.implants") if count else say("model_results.of_angulation")
    if apart:
        said += say("model_results.and_these_models_also", apart=apart)
    return True, said, say("model_results.with_the_same_span_2", two=two)


def _listed(values: Sequence[float]) -> str:
    """Numbers as text, the last after "and"."""
    texts = [f"{float(v):.4g}" for v in values]
    return (
        texts[0]
        if len(texts) == 1
        else say("model_results.and_texts_texts_2", texts=", ".join(texts[:-1]), texts_2=texts[-1])
    )


def _described(models: pd.DataFrame, between: Sequence[str]) -> list[str]:
    out = []
    tilts = models["angulation_deg"].to_numpy(float)
    for name, n, tilt in zip(models["model"], models["n_implants"], tilts, strict=True):
        tilted = f", {tilt:.0f}°" if "angulation_deg" in between else ""
        out.append(say("model_results.model_has", name=name, n=n, tilted=tilted))
    return out


def _differing(models: pd.DataFrame, column: str) -> str:
    """Other properties in which the models differ, with their range."""
    units = {"n_implants": "", "angulation_deg": "°", "span_mm": " mm", "path_mm": " mm"}
    names = {
        **_NAMES,
        "span_mm": say("model_results.largest_span"),
        "path_mm": say("model_results.largest_arch_length"),
    }
    parts = []
    for name, unit in units.items():
        low, high = float(models[name].min()), float(models[name].max())
        if name != column and high - low > _ALIKE * max(abs(high), 1e-9):
            parts.append(
                say("model_results.to_names_low", names=names[name], low=low, high=high, unit=unit)
            )
    return (
        say("model_results.and_parts_parts_2", parts=", ".join(parts[:-1]), parts_2=parts[-1])
        if len(parts) > 1
        else "".join(parts)
    )


_NOT_GROUPS = {"scan", "pair", "implant", "condition", "cell"}


def confounded(
    pairs: pd.DataFrame,
    *,
    condition: Sequence[str],
    cell: Sequence[str],
    random: Iterable[str] = (),
) -> pd.DataFrame:
    """Levels of every two factors that fall into blocks, block by block.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``: ``scan``, ``model`` and the factors; a scan of which a level
        is missing ties none.
    condition, cell : sequence of str
        Factors that are compared, and those that define a cell, which may lie within each other.
    random : iterable of str
        Random terms of the models; what they nest or cross may lie within each other, too.

    Returns
    -------
    DataFrame
        Table ``model_confounding``; empty where all factors can be told apart.

    Notes
    -----
    Two factors can be told apart when their levels hang together: from every level of one to
    every other there is a way over levels of the other that occur with both (a connected
    bipartite graph, the condition of a connected two-way layout). Where the levels fall into
    blocks, differences between the blocks belong to either factor.
    """
    scans = pairs.drop_duplicates("scan")
    terms = [str(term).rpartition("|")[2].replace(" ", "") for term in random]
    named = ["model", *condition, *cell, *(n for term in terms for n in re.findall(r"\w+", term))]
    factors = [n for n in dict.fromkeys(named) if n not in _NOT_GROUPS and n in scans]
    lists = [list(cell), *(re.split(r"[/:]", term) for term in terms)]
    nested = [{a, b} for names in lists for a, b in combinations(names, 2)]
    rows = []
    for a, b in combinations(factors, 2):
        known = scans.dropna(subset=[a, b])
        first, second = known[a].astype(str), known[b].astype(str)
        if {a, b} in nested or min(first.nunique(), second.nunique()) < 2:
            continue
        block = blocks(first, second)
        if block.max() == 0:
            continue
        for number, k in enumerate(dict.fromkeys(block), 1):
            for name, values in ((a, first), (b, second)):
                rows += [(a, b, number, name, v) for v in dict.fromkeys(values[block == k])]
    return pd.DataFrame(rows, columns=["factor", "other_factor", "block", "factor_of", "level"])


def blocks(first: pd.Series, second: pd.Series) -> pd.Series:
    """Block of each row: rows that share a level lie in the same one."""
    a, b = (pd.factorize(c)[0] for c in (first, second))
    n, m = int(a.max()) + 1, int(b.max()) + 1
    from scipy.sparse import csgraph  # slow to import

    ties = scipy.sparse.coo_matrix((np.ones(len(a)), (a, n + b)), shape=(n + m, n + m))
    return pd.Series(csgraph.connected_components(ties, directed=False)[1][a], index=first.index)
