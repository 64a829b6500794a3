"""The study's own verdict, on many simulated studies at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from accstudy.accuracy.bounds import Grouping, nonparametric_n
from accstudy.accuracy.judge import (
    Rule,
    combined_p,
    few_cells,
    guard,
    independent_scans,
    normality_p,
    single_bounds,
    worst_bounds,
)
from accstudy.plan.components import Components, Design

__all__ = ["Asked", "Outcome", "judge_many"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_TEST_LEVEL = 0.05
_LOOKED_AT = 2
_LOG2_DRAWS = 9


@dataclass(frozen=True)
class Asked:
    """The question that a verdict answers.

    Parameters
    ----------
    limit : float
        Of the absolute deviation.
    u : ndarray, shape (K,)
        Standard uncertainty that all scans share, a pair each; NaN: not stated.
    rule : Rule
        Coverage, confidence, and which operators are judged.
    """

    limit: float
    u: Floats
    rule: Rule


@dataclass(frozen=True)
class Outcome:
    """What simulated studies concluded.

    Parameters
    ----------
    each, together : ndarray, shape (S,)
        Limit over guarded bound, as a logarithm: above zero the bound stays within. Of the
        worst pair by itself, and of all pairs of a scan together.
    barred : ndarray of bool, shape (S,)
        Whether something else forbids "verified": normality is needed, and rejected.
    """

    each: Floats
    together: Floats
    barred: Bools


def judge_many(y: Floats, found: Components, design: Design, asked: Asked) -> Outcome:
    """Judge S simulated studies, (S, scans, K), as `accstudy.accuracy.judge.judge` judges a study.

    Of every model the two pairs with the largest mean plus 2.5 standard deviations, or largest
    deviation seen, are worked out: the largest bound is that of one of them. The bounds rest on 512
    draws of the pivotal quantities where a study's own rest on 4096.
    """
    grouping = design.grouping
    columns = [level.columns for level in found.scans]
    parts = [_one_model(y[:, :, c], asked.u[c], grouping, asked) for c in columns]
    each, together = (np.min([part[k] for part in parts], axis=0) for k in (0, 1))
    barred = np.zeros(len(y), dtype=bool)
    free = independent_scans(grouping, these_operators=asked.rule.these_operators)
    if free < nonparametric_n(asked.rule.coverage, asked.rule.confidence):
        p = normality_p(_columns(y), grouping).reshape(len(y), -1)
        barred = np.array([combined_p(row) < _TEST_LEVEL for row in p])
    return Outcome(each, together, barred)


def _one_model(y: Floats, u: Floats, grouping: Grouping, asked: Asked) -> tuple[Floats, Floats]:
    studies, _, k = y.shape
    rule = replace(asked.rule, lower=False, log2_draws=_LOG2_DRAWS)
    g = np.nan_to_num(guard(u, rule.confidence))
    looked = min(_LOOKED_AT, k)
    seen = np.abs(y).max(axis=1)
    size = np.maximum(np.abs(y.mean(axis=1)) + 2.5 * y.std(axis=1), seen) + g
    chosen = np.argsort(-size, axis=1)[:, :looked]
    few = _columns(np.take_along_axis(y, chosen[:, None, :], axis=2))
    pairs = single_bounds(few, grouping, rule).bound.reshape(studies, looked)
    largest = (pairs + g[chosen]).max(axis=1)
    whole = largest
    if k > 1:
        if few_cells(grouping, rule):
            each = replace(rule, coverage=1 - (1 - rule.coverage) / k)
            worst = single_bounds(few, grouping, each).bound.reshape(studies, looked).max(axis=1)
        else:
            sizes = np.abs(y).max(axis=2, keepdims=True)
            worst = worst_bounds(_columns(sizes), grouping, rule).bound
        whole = np.maximum(worst + g.max(), largest)
    with np.errstate(divide="ignore"):
        return np.log(asked.limit / largest), np.log(asked.limit / whole)


def _columns(y: Floats) -> Floats:
    """Every study's pairs as columns, shape (scans, S * k)."""
    return np.moveaxis(y, 1, 0).reshape(y.shape[1], -1)
