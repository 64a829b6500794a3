"""What the scanned models and the scan list cannot separate."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
import scipy  # scipy.sparse loads when it is first used

from accstudy.compare.deviations import models_scanned
from accstudy.words.catalogue import say

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
