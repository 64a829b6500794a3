"""What a report shows besides the tests of a model: residuals, influence, held values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError
from accstudy.models.bootstrap import bootstrap_test
from accstudy.models.checks import leave_out
from accstudy.models.decisions import Adjust, family, log_base
from accstudy.models.effects import (
    ratios,
)
from accstudy.models.fit import unequal_fit
from accstudy.models.hypotheses import cell_rows, slope_rows
from accstudy.models.means import contrasts, slopes
from accstudy.models.mixed import MixedFit
from accstudy.models.overlap import (
    blank_outside,
    common_range,
    held_values,
)
from accstudy.models.specs import ModelSpec
from accstudy.models.variances import component_tests, sd_limits, shares

__all__ = [
    "bootstrap_rows",
    "contrast_tables",
    "contrasts_at",
    "covariate_rows",
    "influence",
    "residual_rows",
    "stack",
    "unequal_rows",
    "variance_rows",
]


def stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put tables below each other, those without rows left out."""
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()


def contrast_tables(
    fit: MixedFit,
    *,
    at: Mapping[str, float] | None = None,
    margin: float | None = None,
    one_sided: bool = False,
    confidence: float = 0.95,
    adjust: Adjust = "holm",
    passed_over: str = "",
) -> list[pd.DataFrame]:
    """Contrasts and slopes that the formula asks for, one table a family.

    Every factor: all pairs of levels; two crossed factors: pairs of the first
    within each level of the second; every covariate: its slope, by level of a
    factor that it interacts with. What is adjusted is adjusted within the family. The levels
    of the factor `passed_over` are not compared.
    """
    out = []
    levels = fit.design.levels
    sloped: dict[str, list[str]] = {c: [] for c in fit.design.centres}
    for term in fit.design.terms:
        columns = dict.fromkeys(c for part in term.covariates for c in fit.design.sources[part])
        if term.factors and len(columns) == 1:
            column, by = next(iter(columns)), ":".join(term.factors)
            sloped[column] += [] if by in sloped[column] else [by]
        if passed_over in term.factors:
            continue
        if term.covariates or not term.factors or any(len(levels[f]) < 2 for f in term.factors):
            continue
        out.append(
            contrasts(
                fit,
                term.factors[0],
                by=":".join(term.factors[1:]),
                at=at,
                confidence=confidence,
                margin=margin,
                one_sided=one_sided,
                adjust=adjust,
            )
        )
    for covariate, factors in sloped.items():
        for factor in factors or [""]:
            table = slopes(
                fit, covariate, factor=factor, at=at, confidence=confidence, adjust=adjust
            )
            out.append(table)
    held = {**held_values(fit.design), **(at or {})}
    stated = [
        blank_outside(fit.design, t, held, ("level_a", "level_b"))
        if (t["covariate"] == "").all()
        else t
        for t in out
    ]
    return [_determined(table, confidence, adjust) for table in stated if len(table)]


def _determined(table: pd.DataFrame, confidence: float, adjust: Adjust) -> pd.DataFrame:
    """Leave out what the data do not determine; the rest is the family."""
    known = pd.DataFrame(table.loc[np.isfinite(table["estimate"])])
    return (
        table if len(known) == len(table) else family(known, confidence=confidence, adjust=adjust)
    )


def bootstrap_rows(fit: MixedFit, draws: int) -> pd.DataFrame:
    """Parametric bootstrap test of every term, if requested."""
    found = []
    for term in fit.design.terms if draws else ():
        if term.name != "1":
            try:
                found.append(bootstrap_test(fit, term.name, draws=draws))
            except AccstudyError:  # the data do not determine it: its F test says so
                continue
    return pd.DataFrame([asdict(one) for one in found])


def covariate_rows(fit: MixedFit, held: Mapping[str, float]) -> pd.DataFrame:
    """Where every covariate is held, and which values all conditions have."""
    rows = []
    for column in fit.design.centres:
        values = fit.design.data[column].astype(float)
        low, high = common_range(fit, column)
        own = held.get(column, float(values.mean()))
        rows.append((column, own, values.mean(), values.std(), low, high))
    names = ["covariate", "held", "mean", "sd", "common_low", "common_high"]
    return pd.DataFrame(rows, columns=names)


def contrasts_at(fit: MixedFit, held: dict[str, float], confidence: float) -> pd.DataFrame:
    """Differences of levels at both ends of every covariate with which they change."""
    parts = []
    pairs = dict.fromkeys(
        (term.factors[0], column)
        for term in fit.design.terms
        for column in fit.design.centres
        if len(term.factors) == 1 and fit.design.of_column(term, column)
    )
    for factor, column in pairs:
        low, high = common_range(fit, column)
        if not high > low:
            continue
        for value in (low, high):
            at = {**held, column: value}
            table = contrasts(fit, factor, at=at, confidence=confidence)
            table = blank_outside(fit.design, table, at, ("level_a", "level_b"))
            parts.append(table.assign(covariate=column, value=value))
    if not parts:
        return pd.DataFrame()
    out = pd.concat(parts, ignore_index=True).dropna(subset=["estimate"])
    return out.assign(
        confidence=confidence, method=fit.method, **ratios(out, log_base(fit.design.response))
    )


def variance_rows(fit: MixedFit, confidence: float, limits: bool) -> pd.DataFrame:
    """Standard deviation, share and test of every component; profile limits if wanted."""
    table = fit.sds.rename_axis("component").reset_index()
    if limits:
        table = sd_limits(fit, confidence=confidence)
    else:
        table["low"] = table["high"] = np.nan
    table["variance"] = table["sd"] ** 2
    share = shares(fit)
    table["share"] = table["component"].map(share)
    residual = table["component"].str.startswith("residual")
    if residual.sum() == 1:
        table.loc[residual, "share"] = 1 - share.sum()
    p = component_tests(fit).set_index("component")["p"]
    table["p"] = table["component"].map(p).astype(float)
    return table


def residual_rows(fit: MixedFit) -> pd.DataFrame:
    """Fitted values and residuals of every modelled row."""
    frame = fit.fitted()
    wanted = ["scan", "model", "condition", "site", "span_mm", "path_mm", "fitted",
              "fitted_fixed", "residual", "residual_scaled"]  # fmt: skip
    return frame[[c for c in wanted if c in frame]].reset_index(drop=True)


def influence(fit: MixedFit, *, passed_over: str = "") -> pd.DataFrame:
    """Leave one scan out: change of the first comparison, or slope, or of the mean."""
    if "scan" not in fit.design.data:
        return pd.DataFrame()
    rows, labels = _main_rows(fit, passed_over)
    if not len(rows):
        return pd.DataFrame()
    return leave_out(fit, rows, labels).rename(columns={"level": "scan"})


def unequal_rows(spec: ModelSpec, fit: MixedFit, factor: str, confidence: float) -> pd.DataFrame:
    """Differences of levels from a fit that lets the levels of `factor` scatter differently."""
    if not factor or fit.residual_levels:
        return pd.DataFrame()
    try:
        other = unequal_fit(fit, factor)
        families = contrast_tables(
            other,
            at=dict(spec.at),
            margin=spec.equivalence_margin,
            one_sided=spec.non_inferiority,
            confidence=confidence,
            adjust=spec.adjust,
            passed_over=spec.absorbed,
        )
    except AccstudyError:  # a level without scatter of its own: the finding stays
        return pd.DataFrame()
    table = stack([t for t in families if not (t["covariate"] != "").any()])
    return table.assign(residual_sd_by=factor)


def _main_rows(fit: MixedFit, passed_over: str) -> tuple[np.ndarray, list[str]]:
    design = fit.design
    for factor, levels in design.levels.items():
        if len(levels) < 2 or factor == passed_over:
            continue
        cells = cell_rows(design, (factor,), design.centres)
        rows = np.array([c.row - cells[0].row for c in cells[1:]])
        known = design.estimable(rows)
        labels = [f"{c.levels[0]} - {cells[0].levels[0]}" for c in cells[1:]]
        if known.any():
            return rows[known], [x for x, k in zip(labels, known, strict=True) if k]
    for covariate in design.centres:
        rows = np.array([c.row for c in slope_rows(design, covariate, (), design.centres)])
        if design.estimable(rows).all():
            return rows, [f"slope of {covariate}"]
    rows = np.array([c.row for c in cell_rows(design, (), design.centres)])
    known = design.estimable(rows)
    return rows[known], ["mean"] * int(known.sum())
