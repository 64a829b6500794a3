"""Limitations of a design, reported before any p value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import Finding, Severity
from accstudy.models.checks import SURE, far_residuals
from accstudy.models.design import Design
from accstudy.models.grouping import random_columns
from accstudy.models.optimum import THETA_MAX
from accstudy.models.sentences import p_words
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = ["design_findings", "fit_findings", "uneven_factor"]

CONFOUNDED_R2 = 0.9
"""Share of a covariate that the rest of the fixed part explains, above which it is said."""

_AGAINST = {"fitted": "the fitted value"}


FEW_DF = 4.0


def design_findings(design: Design, random: tuple[str, ...], *, where: str) -> list[Finding]:
    """Findings on non-independent scans, confounded effects and single observations.

    Parameters
    ----------
    design : Design
        Response and fixed part.
    random : tuple of str
        Random factors as asked for.
    where : str
        Place to name.

    Returns
    -------
    list of Finding
    """
    frame = design.data
    out = []
    columns, _ = random_columns(random, frame)
    several = "scan" in frame and frame["scan"].duplicated().any()
    if several and "scan" not in columns:
        out.append(
            Finding(
                Severity.WARNING,
                "scan-not-random",
                say("findings.the_rows_of_one"),
                where,
                say("findings.add_scan_to_random"),
            )
        )
    out += _sites(design, random, where)
    out += _own_slopes(design, random, where)
    out += _confounded(design, where)
    out += _implant_count(design, where)
    unit = "scan" if "scan" in frame else None
    for factor in design.levels:
        if factor not in frame:
            continue
        labels = frame[factor].astype(str)
        counts = frame.groupby(labels)[unit].nunique() if unit else labels.value_counts()
        for level in counts.index[counts == 1]:
            out.append(
                Finding(
                    Severity.WARNING,
                    "single-observation",
                    say(
                        "findings.level_of_column_has",
                        level=level,
                        factor=factor,
                        unit=unit or "row",
                    ),
                    where,
                    say("findings.repeat_it"),
                )
            )
    return out


def _sites(design: Design, random: tuple[str, ...], where: str) -> list[Finding]:
    """Effects between pairs or implants need these among the random terms."""
    frame = design.data
    if "site" not in frame or len(frame) == len(frame["site"].unique()):
        return []
    columns, _ = random_columns(random, frame)
    if {"site", "pair", "implant"} & set(columns):
        return []
    by_site = frame.groupby("site")
    between = [
        name
        for name in (*design.levels, *design.centres)
        if name in frame
        and len(frame[name].unique()) > 1
        and int(by_site[name].nunique().max()) == 1
        and frame.groupby("model")[name].nunique().max() > 1
    ]
    if not between:
        return []
    kind = "pair" if "pair" in frame else "implant"
    return [
        Finding(
            Severity.WARNING,
            "site-not-random",
            say("findings.differ_between_s_but", between=", ".join(between), kind=kind),
            where,
            say("findings.add_to_random_without", kind=kind),
        )
    ]


def _own_slopes(design: Design, random: tuple[str, ...], where: str) -> list[Finding]:
    """Slopes compared between scans need random slopes by scan."""
    frame = design.data
    _, sloped = random_columns(random, frame)
    if "scan" not in frame:
        return []
    by_scan = frame.groupby("scan")
    out = []
    for name in design.centres:
        compared = [
            factor
            for term in design.terms
            if design.of_column(term, name)
            for factor in term.factors
            if factor in frame and int(by_scan[factor].nunique().max()) == 1
        ]
        if name in sloped or name not in frame or not compared:
            continue
        if int(by_scan[name].nunique().max()) > 1:
            out.append(
                Finding(
                    Severity.WARNING,
                    "slope-not-random",
                    say("findings.slopes_of_are_compared", name=name, compared=compared[0]),
                    where,
                    say("findings.add_scan_to_random_2", name=name),
                )
            )
    return out


def _confounded(design: Design, where: str) -> list[Finding]:
    """Covariates that follow nearly from the rest of the fixed part."""
    frame = design.data
    out = []
    names = [c for c in design.centres if c in frame]
    for name in names:
        values = frame[name].to_numpy(float)
        own = [i for t in design.terms if design.of_column(t, name) for i in t.columns]
        others = np.flatnonzero(~np.isin(design.kept, own))
        total = float(np.sum((values - values.mean()) ** 2))
        if total <= 1e-12 * max(1.0, float(np.sum(values**2))) or not len(others):
            continue
        x, _ = np.linalg.qr(design.x[:, others])
        left = values - x @ (x.T @ values)
        explained = 1 - float(left @ left) / total
        if explained > CONFOUNDED_R2:
            rivals = [
                t.name for t in design.terms if not design.of_column(t, name) and t.name != "1"
            ]
            out.append(
                Finding(
                    Severity.WARNING,
                    "confounded",
                    say(
                        "findings.is_nearly_confounded_with",
                        name=name,
                        rivals=", ".join(rivals),
                        explained=100 * explained,
                    ),
                    where,
                    say("findings.interpret_their_effects_jointly"),
                )
            )
    return out


def _implant_count(design: Design, where: str) -> list[Finding]:
    """Stitching error grows with the path, so implant count must not stand for it."""
    frame = design.data
    used = {c for t in design.terms for c in (*t.factors, *t.covariates)}
    if not any("n_implants" in c for c in used) or "n_implants" not in frame:
        return []
    out = []
    count = frame["n_implants"].to_numpy(float)
    of_pairs = "path_mm" in frame and "implant_a" in frame
    if of_pairs and not any("path_mm" in c for c in used) and np.ptp(count) > 0:
        path = frame["path_mm"].to_numpy(float)
        if np.ptp(path) > 0:
            r = float(np.corrcoef(count, path)[0, 1])
            out.append(
                Finding(
                    Severity.WARNING,
                    "count-stands-for-path",
                    say("findings.n_implants_is_in", r=r),
                    where,
                    say("findings.add_path_mm_to"),
                )
            )
    if "model" in frame:
        models = frame.drop_duplicates("model").groupby("n_implants").size()
        if len(models) > 1 and models.min() == 1:
            counts = ", ".join(f"{float(c):g}" for c in models.index[models == 1])
            out.append(
                Finding(
                    Severity.WARNING,
                    "count-stands-for-model",
                    say("findings.a_single_model_has", counts=counts),
                    where,
                    say("findings.scan_more_models_for"),
                )
            )
    return out


def uneven_factor(fit: MixedFit, spread: pd.DataFrame) -> str:
    """Compared factor whose levels scatter so differently that it is a warning.

    Parameters
    ----------
    fit : MixedFit
        The model.
    spread : DataFrame
        Table of `accstudy.models.checks.spread_tests`.

    Returns
    -------
    str
        The one with the largest ratio; empty without any.
    """
    large = spread[spread["against"].isin(list(fit.design.levels)) & spread["warned"]]
    return str(large.sort_values("ratio")["against"].iloc[-1]) if len(large) else ""


def fit_findings(
    fit: MixedFit, tests: pd.DataFrame, spread: pd.DataFrame, *, where: str
) -> list[Finding]:
    """Zero components, few degrees of freedom, unequal spread, residuals far out.

    Parameters
    ----------
    fit : MixedFit
        The model.
    tests : DataFrame
        Its F tests.
    spread : DataFrame
        Table of `accstudy.models.checks.spread_tests`.
    where : str
        Place to name.

    Returns
    -------
    list of Finding
    """
    out = []
    if fit.zero:
        out.append(
            Finding(
                Severity.NOTE,
                "zero-component",
                say("findings.the_spread_between_levels") + ", ".join(fit.zero),
                where,
                say("findings.tests_include_them_with"),
            )
        )
    if fit.at_bound:
        out.append(
            Finding(
                Severity.WARNING,
                "spread-at-bound",
                say(
                    "findings.the_spread_between_levels_2",
                    at_bound=", ".join(fit.at_bound),
                    THETA_MAX=THETA_MAX,
                ),
                where,
                say("findings.the_random_terms_fit"),
            )
        )
    for term, df in zip(tests["term"], tests["den_df"].astype(float), strict=True):
        if np.isfinite(df) and df < FEW_DF:
            out.append(
                Finding(
                    Severity.WARNING,
                    "few-degrees-of-freedom",
                    say("findings.the_test_of_has", term=term, df=df),
                    where,
                    say("findings.add_levels_of_the"),
                )
            )
    uneven = spread[(spread["p"] < SURE) & (spread["ratio"] > 1.5)]
    columns = (uneven[c] for c in ("against", "ratio", "p", "warned"))
    for against, ratio, p, warned in zip(*columns, strict=True):
        factor = against in fit.design.levels
        mend = (
            say("findings.residual_sd_by_gives", against=against)
            if factor
            else say("findings.interpret_its_standard_errors")
        )
        out.append(
            Finding(
                Severity.WARNING if warned else Severity.NOTE,
                "unequal-spread",
                say(
                    "findings.the_scatter_of_the",
                    get=_AGAINST.get(against, against),
                    ratio=ratio,
                    p=p_words(p),
                ),
                where,
                mend,
            )
        )
    frame = fit.fitted()
    size = np.abs(frame["residual_scaled"].to_numpy(float))
    beyond, expected, heavy = far_residuals(fit)
    if heavy:
        out.append(
            Finding(
                Severity.WARNING,
                "heavy-tails",
                say(
                    "findings.of_residuals_are_more",
                    beyond=beyond,
                    size=len(size),
                    expected=expected,
                ),
                where,
                say("findings.check_these_scans_and"),
            )
        )
    far = frame[size > 5]
    if len(far):
        named = f" ({', '.join(map(str, pd.unique(far['scan'])[:5]))})" if "scan" in far else ""
        out.append(
            Finding(
                Severity.NOTE,
                "far-residuals",
                say(
                    "findings.of_residuals_lie_beyond", far=len(far), frame=len(frame), named=named
                ),
                where,
                say("findings.check_these_scans"),
            )
        )
    return out
