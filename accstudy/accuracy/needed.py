"""How many scans would bring a bound within its limit if the estimates hold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from accstudy.accuracy.judge import ALL_PAIRS, Rule, worst_of_scan
from accstudy.accuracy.oneway import layouts
from accstudy.accuracy.samples import Sample
from accstudy.accuracy.tolerance import Kind, needed_scans

__all__ = ["scans_needed"]

Floats = npt.NDArray[np.float64]


def scans_needed(
    samples: Sequence[Sample], limits: Sequence[Floats], rule: Rule, scope: str
) -> int | None:
    """Scans in all, in more cells of the same size; None where no number would do.

    Parameters
    ----------
    samples : sequence of Sample
        One a model.
    limits : sequence of ndarray, shape (m,)
        Limit less guard, a pair each.
    rule : Rule
        What is asked of the bound.
    scope : str
        Each pair by itself, or all pairs of a scan together too.
    """
    found: list[float] = []
    for sample, limit in zip(samples, limits, strict=True):
        found += _needed(sample.matrix, sample, limit, rule, "absolute")
        if scope == ALL_PAIRS and sample.matrix.shape[1] > 1:
            logs = np.log(np.maximum(worst_of_scan(sample.matrix), 1e-3))
            lowest = float(np.min(limit))
            if lowest <= 0:
                return None
            found += _needed(logs, sample, np.array([np.log(lowest)]), rule, "upper")
    return None if not found or np.isnan(found).any() else int(max(found))


def _needed(values: Floats, sample: Sample, limits: Floats, rule: Rule, kind: Kind) -> list[float]:
    seen = np.isfinite(values)
    group = np.broadcast_to(np.arange(values.shape[1]), values.shape)
    cell = np.broadcast_to(sample.grouping.cell[:, None], values.shape)
    sums = layouts(values[seen], group[seen], cell[seen])
    return list(
        needed_scans(sums, limits, coverage=rule.coverage, confidence=rule.confidence, kind=kind)
    )
