"""Marginal means, contrasts and slopes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from accstudy.errors import InputError, nearest
from accstudy.models.decisions import Adjust, below, equivalence, family, log_base, margin_bound
from accstudy.models.hypotheses import Cell, cell_rows, slope_rows

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = ["contrasts", "marginal_means", "slopes"]


def _factors(fit: MixedFit, factor: str) -> tuple[str, ...]:
    known = list(fit.design.levels)
    if factor in known:
        return (factor,)
    parts = tuple(factor.split(":"))
    for part in parts:
        if part not in known:
            raise InputError(
                f'"{part}" is not a factor of the model {fit.formula}',
                hint=nearest(part, known) if known else "the model has no factor",
            )
    return parts


def _held(fit: MixedFit, at: Mapping[str, float] | None) -> dict[str, float]:
    values = dict(fit.design.centres)
    for name, value in (at or {}).items():
        if name not in values:
            raise InputError(
                f'"{name}" is not a covariate of the model {fit.formula}',
                hint=nearest(name, list(values)) if values else "the model has no covariate",
            )
        values[name] = float(value)
    return values


def marginal_means(
    fit: MixedFit,
    factor: str,
    *,
    at: Mapping[str, float] | None = None,
    method: str | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Mean of each level of a factor, the other factors averaged equally.

    Parameters
    ----------
    fit : MixedFit
        The model.
    factor : str
        A factor, or factors joined by ``:``.
    at : mapping, optional
        Covariate values; the others are held at their mean in the data.
    method : {"kenward-roger", "satterthwaite"}, optional
        Default: that of the fit.
    confidence : float
        Of the limits.

    Returns
    -------
    DataFrame
        ``factor, level, estimate, se, df, t, p, low, high``; levels that the data
        do not determine have no numbers.
    """
    values = _held(fit, at)
    cells = cell_rows(fit.design, _factors(fit, factor), values)
    table = fit.combine(np.array([c.row for c in cells]), method=method, confidence=confidence)
    table.insert(0, "factor", factor)
    table.insert(1, "level", [":".join(c.levels) for c in cells])
    return table


def contrasts(
    fit: MixedFit,
    factor: str,
    *,
    by: str = "",
    pairs: Sequence[tuple[str, str]] | None = None,
    at: Mapping[str, float] | None = None,
    method: str | None = None,
    confidence: float = 0.95,
    margin: float | None = None,
    one_sided: bool = False,
    adjust: Adjust = "holm",
) -> pd.DataFrame:
    """Differences of marginal means, one family.

    Parameters
    ----------
    fit : MixedFit
        The model.
    factor : str
        Factor whose levels are compared.
    by : str
        Compare within each level of this factor (or factors joined by ``:``).
    pairs : sequence of (str, str), optional
        Named contrasts, first minus second; all pairs without it.
    at : mapping, optional
        Covariate values.
    method : {"kenward-roger", "satterthwaite"}, optional
        Default: that of the fit.
    confidence : float
        Of the limits.
    margin : float, optional
        Equivalence margin in the unit of the response; for a log response the
        ratio that still counts as equal, above 1.
    one_sided : bool
        Non-inferiority: the first level is not larger than the second by the margin.
    adjust : {"holm", "none"}
        P value that decides whether a difference is shown.

    Returns
    -------
    DataFrame
        Columns of table ``model_contrasts`` but those that name the model.
        ``shown`` and ``equivalent`` decide at one minus `confidence`.
    """
    factors = _factors(fit, factor)
    inside = _factors(fit, by) if by else ()
    values = _held(fit, at)
    cells = cell_rows(fit.design, factors + inside, values)
    return _differences(
        fit, factor, factors, cells, pairs, method, confidence, margin, one_sided, by, adjust
    )


def slopes(
    fit: MixedFit,
    covariate: str,
    *,
    factor: str = "",
    at: Mapping[str, float] | None = None,
    method: str | None = None,
    confidence: float = 0.95,
    adjust: Adjust = "holm",
) -> pd.DataFrame:
    """Slope of a covariate at each level of a factor, and their differences.

    Parameters
    ----------
    fit : MixedFit
        The model.
    covariate : str
        Covariate of the model.
    factor : str
        Factor with which the slope may vary; without it the average slope.
    at : mapping, optional
        Covariate values; a slope depends on them where the formula holds expressions of
        the covariate or its products with others.
    method : {"kenward-roger", "satterthwaite"}, optional
        Default: that of the fit.
    confidence : float
        Of the limits.
    adjust : {"holm", "none"}
        As for `contrasts`.

    Returns
    -------
    DataFrame
        As `contrasts`; estimates are per unit of the covariate.
    """
    _held(fit, {covariate: 0.0})
    values = _held(fit, at)
    factors = _factors(fit, factor) if factor else ()
    cells = slope_rows(fit.design, covariate, factors, values)
    table = fit.combine(np.array([c.row for c in cells]), method=method, confidence=confidence)
    table["level_a"] = [":".join(c.levels) if factor else "" for c in cells]
    table["contrast"] = [
        f"slope of {covariate}" + (f" at {level}" if level else "") for level in table["level_a"]
    ]
    table = _judged(
        fit, table.assign(factor=factor), confidence, None, one_sided=False, adjust=adjust
    )
    if len(cells) > 1:
        more = _differences(
            fit, factor, factors, cells, None, method, confidence, None, False, "", adjust
        )
        more["contrast"] = f"slope of {covariate}: " + more["contrast"]
        table = pd.concat([table, more], ignore_index=True)
    return table.assign(covariate=covariate)


_ORDER = [
    "factor", "contrast", "level_a", "level_b", "stratum", "covariate", "estimate", "se", "df", "t",
    "p", "p_holm", "adjust", "low", "high", "simultaneous_low", "simultaneous_high", "confidence",
    "shown", "ratio", "ratio_low", "ratio_high", "ratio_simultaneous_low",
    "ratio_simultaneous_high", "inverse_ratio", "inverse_low", "inverse_high",
    "margin", "p_equivalence",
    "equivalence_low", "equivalence_high", "equivalence_confidence", "equivalent",
]  # fmt: skip


def _differences(
    fit: MixedFit,
    name: str,
    factors: tuple[str, ...],
    cells: Sequence[Cell],
    pairs: Sequence[tuple[str, str]] | None,
    method: str | None,
    confidence: float,
    margin: float | None,
    one_sided: bool,
    by: str,
    adjust: Adjust,
) -> pd.DataFrame:
    k = len(factors)
    strata: dict[tuple[str, ...], dict[str, Cell]] = {}
    for cell in cells:
        strata.setdefault(cell.levels[k:], {})[":".join(cell.levels[:k])] = cell
    named, rows = [], []
    for stratum, members in strata.items():
        wanted = list(combinations(members, 2)) if pairs is None else list(pairs)
        for a, b in wanted:
            for level in (a, b):
                if level not in members:
                    raise InputError(
                        f'"{level}" is not a level of {name}', hint=nearest(level, list(members))
                    )
            where = f"{by} {':'.join(stratum)}" if stratum else ""
            named.append((f"{a} - {b}" + (f" at {where}" if where else ""), a, b, where))
            rows.append(members[a].row - members[b].row)
    if not rows:
        return pd.DataFrame(columns=_ORDER)
    table = fit.combine(np.array(rows), method=method, confidence=confidence)
    columns = ("contrast", "level_a", "level_b", "stratum")
    table = table.assign(factor=name, **dict(zip(columns, zip(*named, strict=True), strict=True)))
    return _judged(fit, table, confidence, margin, one_sided=one_sided, adjust=adjust)


def _judged(
    fit: MixedFit,
    table: pd.DataFrame,
    confidence: float,
    margin: float | None,
    *,
    one_sided: bool,
    adjust: Adjust,
) -> pd.DataFrame:
    """Add what is decided at ``1 - confidence``: difference, and equivalence."""
    alpha = 1 - confidence
    estimate, se, df = (table[c].to_numpy(float) for c in ("estimate", "se", "df"))
    p = equivalence_low = equivalence_high = np.full(len(table), np.nan)
    if margin is not None:
        bound = margin_bound(fit.design.response, margin)
        p = equivalence(estimate, se, df, -np.inf if one_sided else -bound, bound)
        half = stats.t.ppf(confidence, df) * se  # what two one-sided tests look at
        equivalence_low, equivalence_high = estimate - half, estimate + half
    table = family(table, confidence=confidence, adjust=adjust)
    base = log_base(fit.design.response)
    turned = {"inverse_ratio": "estimate", "inverse_low": "high", "inverse_high": "low"}
    ratios = {"ratio": "estimate"} | {
        f"ratio_{c}": c for c in ("low", "high", "simultaneous_low", "simultaneous_high")
    }
    logs = {name: table[c].to_numpy(float) for name, c in ratios.items()}
    logs |= {name: -table[c].to_numpy(float) for name, c in turned.items()}
    absent = {c: "" for c in ("level_b", "stratum", "covariate") if c not in table}
    return table.assign(
        confidence=confidence,
        margin=np.nan if margin is None else margin,
        p_equivalence=p,
        equivalence_low=equivalence_low,
        equivalence_high=equivalence_high,
        equivalence_confidence=2 * confidence - 1,
        equivalent=below(p, alpha),
        **{name: v * np.nan if base is None else base**v for name, v in logs.items()},
        **absent,
    )[_ORDER]
