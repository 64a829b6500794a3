"""Factors whose levels never cross: what the design cannot separate."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

__all__ = ["confounded"]

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
        block = _blocks(first, second)
        if block.max() == 0:
            continue
        for number, k in enumerate(dict.fromkeys(block), 1):
            for name, values in ((a, first), (b, second)):
                rows += [(a, b, number, name, v) for v in dict.fromkeys(values[block == k])]
    return pd.DataFrame(rows, columns=["factor", "other_factor", "block", "factor_of", "level"])


def _blocks(first: pd.Series, second: pd.Series) -> pd.Series:
    """Block of each row: rows that share a level lie in the same one."""
    a, b = (pd.factorize(c)[0] for c in (first, second))
    n, m = int(a.max()) + 1, int(b.max()) + 1
    ties = coo_matrix((np.ones(len(a)), (a, n + b)), shape=(n + m, n + m))
    return pd.Series(connected_components(ties, directed=False)[1][a], index=first.index)
