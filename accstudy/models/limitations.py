"""Limitations of a design and of a fit, reported before any p value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import Finding, Severity, remark, warning
from accstudy.models.checks import SURE, far_residuals
from accstudy.models.decisions import p_words
from accstudy.models.design import Design
from accstudy.models.grouping import random_columns
from accstudy.models.optimum import THETA_MAX
from accstudy.words.catalogue import say
from accstudy.words.names import component_name

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

CONFOUNDED_R2 = 0.9
"""Share of a covariate that the rest of the fixed part explains, above which it is said."""

FEW_DF = 4.0

_AGAINST = {"fitted": "the fitted value"}


def design_findings(design: Design, random: tuple[str, ...]) -> list[Finding]:
    """Findings on non-independent scans, confounded effects and single observations."""
    frame = design.data
    out = []
    groups, sloped = random_columns(random, frame)
    if "scan" in frame and frame["scan"].duplicated().any() and "scan" not in groups:
        what = say("findings.the_rows_of_one")
        out.append(warning("scan-not-random", what, mend=say("findings.add_scan_to_random")))
    out += _sites(design, groups)
    out += _own_slopes(design, sloped)
    out += _confounded(design)
    out += _implant_count(design)
    unit = "scan" if "scan" in frame else "row"
    for factor in design.levels:
        if factor not in frame:
            continue
        labels = frame[factor].astype(str)
        grouped = frame.groupby(labels)
        counts = grouped["scan"].nunique() if unit == "scan" else labels.value_counts()
        for level in counts.index[counts == 1]:
            what = say("findings.level_of_column_has", level=level, factor=factor, unit=unit)
            out.append(warning("single-observation", what, mend=say("findings.repeat_it")))
    return out


def _sites(design: Design, groups: list[str]) -> list[Finding]:
    """Effects between pairs or implants need these among the random terms."""
    frame = design.data
    if "site" not in frame or len(frame) == len(frame["site"].unique()):
        return []
    if {"site", "pair", "implant"} & set(groups):
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
    what = say("findings.differ_between_s_but", between=", ".join(between), kind=kind)
    return [warning("site-not-random", what, mend=say("findings.add_to_random_without", kind=kind))]


def _own_slopes(design: Design, sloped: list[str]) -> list[Finding]:
    """Slopes compared between scans need random slopes by scan."""
    frame = design.data
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
            what = say("findings.slopes_of_are_compared", name=name, compared=compared[0])
            mend = say("findings.add_scan_to_random_2", name=name)
            out.append(warning("slope-not-random", what, mend=mend))
    return out


def _confounded(design: Design) -> list[Finding]:
    """Covariates that follow nearly from the rest of the fixed part."""
    out = []
    for name in (c for c in design.centres if c in design.data):
        values = design.data[name].to_numpy(float)
        own = [i for t in design.terms if design.of_column(t, name) for i in t.columns]
        others = np.flatnonzero(~np.isin(design.kept, own))
        total = float(np.sum((values - values.mean()) ** 2))
        if total <= 1e-12 * max(1.0, float(np.sum(values**2))) or not len(others):
            continue
        x, _ = np.linalg.qr(design.x[:, others])
        left = values - x @ (x.T @ values)
        explained = 1 - float(left @ left) / total
        if explained > CONFOUNDED_R2:
            rivals = ", ".join(
                t.name for t in design.terms if not design.of_column(t, name) and t.name != "1"
            )
            what = say(
                "findings.is_nearly_confounded_with",
                name=name, rivals=rivals, explained=100 * explained,
            )  # fmt: skip
            mend = say("findings.interpret_their_effects_jointly")
            out.append(warning("confounded", what, mend=mend))
    return out


def _implant_count(design: Design) -> list[Finding]:
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
            what = say("findings.n_implants_is_in", r=float(np.corrcoef(count, path)[0, 1]))
            out.append(warning("count-stands-for-path", what, mend=say("findings.add_path_mm_to")))
    if "model" in frame:
        models = frame.drop_duplicates("model").groupby("n_implants").size()
        if len(models) > 1 and models.min() == 1:
            counts = ", ".join(f"{float(c):g}" for c in models.index[models == 1])
            what = say("findings.a_single_model_has", counts=counts)
            mend = say("findings.scan_more_models_for")
            out.append(warning("count-stands-for-model", what, mend=mend))
    return out


def uneven_factor(fit: MixedFit, spread: pd.DataFrame) -> str:
    """Compared factor whose levels scatter so differently, by `spread_tests`, that it is a warning:
    the one with the largest ratio, or an empty text.
    """
    large = spread[spread["against"].isin(list(fit.design.levels)) & spread["warned"]]
    return str(large.sort_values("ratio")["against"].iloc[-1]) if len(large) else ""


def fit_findings(fit: MixedFit, tests: pd.DataFrame, spread: pd.DataFrame) -> list[Finding]:
    """Zero components, few degrees of freedom, unequal spread, residuals far out."""
    out = []
    if fit.zero:
        names = ", ".join(map(component_name, fit.zero))
        what = say("findings.the_spread_between_levels", names=names)
        out.append(remark("zero-component", what, mend=say("findings.tests_include_them_with")))
    if fit.at_bound:
        what = say(
            "findings.the_spread_between_levels_2",
            at_bound=", ".join(fit.at_bound), THETA_MAX=THETA_MAX,
        )  # fmt: skip
        out.append(warning("spread-at-bound", what, mend=say("findings.the_random_terms_fit")))
    for term, df in zip(tests["term"], tests["den_df"].astype(float), strict=True):
        if np.isfinite(df) and df < FEW_DF:
            what = say("findings.the_test_of_has", term=term, df=df)
            mend = say("findings.add_levels_of_the")
            out.append(warning("few-degrees-of-freedom", what, mend=mend))
    uneven = spread[(spread["p"] < SURE) & (spread["ratio"] > 1.5)]
    columns = (uneven[c] for c in ("against", "ratio", "p", "warned"))
    for against, ratio, p, warned in zip(*columns, strict=True):
        get = _AGAINST.get(against, against)
        what = say("findings.the_scatter_of_the", get=get, ratio=ratio, p=p_words(p))
        if against in fit.design.levels:
            mend = say("findings.residual_sd_by_gives", against=against)
        else:
            mend = say("findings.interpret_its_standard_errors")
        severity = Severity.WARNING if warned else Severity.NOTE
        out.append(Finding(severity, "unequal-spread", what, mend=mend))
    frame = fit.fitted()
    size = np.abs(frame["residual_scaled"].to_numpy(float))
    beyond, expected, heavy = far_residuals(fit)
    if heavy:
        what = say(
            "findings.of_residuals_are_more", beyond=beyond, size=len(size), expected=expected
        )
        out.append(warning("heavy-tails", what, mend=say("findings.check_these_scans_and")))
    far = frame[size > 5]
    if len(far):
        named = f" ({', '.join(map(str, pd.unique(far['scan'])[:5]))})" if "scan" in far else ""
        what = say("findings.of_residuals_lie_beyond", far=len(far), frame=len(frame), named=named)
        out.append(remark("far-residuals", what, mend=say("findings.check_these_scans")))
    return out
