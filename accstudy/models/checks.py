"""Checks of a model as tables, and limitations of a design and a fit, told before any p value.

Residual plots cannot show lack of fit: a random pair takes up what a straight line misses.

References
----------
Cook: Detection of influential observation in linear regression, Technometrics 19
(1977) 15-18, applied to whole groups of rows. Levene (1960) and Glejser, JASA 64
(1969) 316-323, for the regression of absolute residuals.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used
from scipy import linalg, special

from accstudy.errors import AccstudyError, Finding, Severity, remark, warning
from accstudy.models.crossproducts import Floats
from accstudy.models.decisions import below, holm, number, p_words
from accstudy.models.design import Design
from accstudy.models.grouping import SITES, random_columns
from accstudy.models.inference import FTest, Inference
from accstudy.models.likelihood import Evaluation, pieces
from accstudy.models.optimum import THETA_MAX
from accstudy.tables import on_grid
from accstudy.words.catalogue import say
from accstudy.words.names import component_name

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

SURE = 0.001
"""p of a check on residuals below which it says something, since rows are not independent."""

_LARGE_RATIO = 2.0
_LEAST_SHOWN = 0.02  # of a row's residual variance, below which its residual says nothing
_ROWS_AT_ONCE = 4000
_REGULAR = 1e-6  # smallest pivot, against the largest entry, from which a matrix is regular
_NORMAL_BEYOND = float(2 * special.ndtr(-3))  # share beyond three standard deviations


def quantiles(fit: MixedFit) -> pd.DataFrame:
    """Ordered residuals and random effects beside normal quantiles.

    ``component`` (a random factor or ``residual``), ``label`` (its level, or the row's position in
    the table given), ``normal`` (Blom's position), ``value`` (divided by its own standard
    deviation).
    """
    frames = []
    effects = fit.effects()
    for name in [g.name for g in fit.groups]:
        own = effects[effects["factor"] == name]
        variance = fit.sds[name] ** 2 - own["sd"] ** 2
        known = variance > 1e-9 * max(fit.sds[name] ** 2, 1e-300)
        if known.sum() >= 3:
            values = own["effect"][known] / np.sqrt(variance[known])
            frames.append(_ordered(name, own["level"][known].to_numpy(object), values.to_numpy()))
    scaled = fit.fitted()["residual_scaled"].to_numpy(float)
    frames.append(_ordered("residual", fit.design.rows.astype(str).astype(object), scaled))
    return pd.concat(frames, ignore_index=True)


def _ordered(name: str, labels: np.ndarray, values: Floats) -> pd.DataFrame:
    order = np.argsort(on_grid(values), kind="stable")  # ties in the order of the rows
    position = (np.arange(1, len(values) + 1) - 0.375) / (len(values) + 0.25)
    return pd.DataFrame(
        {
            "component": name,
            "label": labels[order],
            "normal": scipy.stats.norm.ppf(position),
            "value": values[order],
        }
    )


def spread_tests(fit: MixedFit) -> pd.DataFrame:
    """Does the size of the residuals depend on a factor, a covariate or the fitted value?

    Absolute residuals, each over its own standard deviation, are regressed on each; the F test
    takes rows as independent, so a small p is a hint, not a proof. Where random terms take up most
    of what a row shows (scans of one or two pairs) its residual is small whatever the scatter: its
    own standard deviation allows for that, and rows that show less than a fiftieth of their scatter
    do not count. ``ratio`` is the largest mean absolute residual over the smallest, by level or by
    fifth; ``warned`` where p is below 0.001 and the ratio 2 or more.
    """
    left = 1 - leverage(fit)
    shown = left > _LEAST_SHOWN
    frame = fit.fitted()[shown]
    size = np.abs(frame["residual_scaled"].to_numpy(float)) / np.sqrt(left[shown])
    columns: dict[str, pd.Series] = {"fitted": frame["fitted"]}
    columns.update({c: frame[c] for c in fit.design.centres if c in frame})
    out = []
    for name, column in columns.items():
        values = column.to_numpy(float)
        if len(values) < 3 or np.ptp(values) <= 1e-9 * max(1.0, float(np.abs(values).max())):
            continue
        slope = scipy.stats.linregress(values, size)
        t2 = (slope.slope / slope.stderr) ** 2 if slope.stderr > 0 else 0.0
        fifths = pd.qcut(column, 5, duplicates="drop")
        out.append((name, t2, 1.0, len(size) - 2.0, _ratio(size, fifths)))
    for factor in fit.design.levels:
        if factor not in frame or factor in SITES:
            continue
        groups = [
            size[(frame[factor].astype(str) == lv).to_numpy()] for lv in fit.design.levels[factor]
        ]
        groups = [g for g in groups if len(g) > 1]
        if len(groups) > 1:
            statistic = float(scipy.stats.f_oneway(*groups).statistic)
            df = float(sum(map(len, groups)) - len(groups))
            out.append((factor, statistic, len(groups) - 1.0, df, _ratio(size, frame[factor])))
    table = pd.DataFrame(out, columns=["against", "F", "num_df", "den_df", "ratio"])
    table = table.astype(dict.fromkeys(table.columns[1:], float))
    table.insert(4, "p", scipy.stats.f.sf(table["F"], table["num_df"], table["den_df"]))
    return table.assign(warned=(table["p"] < SURE) & (table["ratio"] >= _LARGE_RATIO))


def leverage(fit: MixedFit) -> Floats:
    """Share of each row's residual variance that the fit takes up, (n,): ``T H T' / R``."""
    h, at = fit.equations, fit.optimum.at
    taken = np.empty(fit.n)
    for start in range(0, fit.n, _ROWS_AT_ONCE):  # for the sake of memory
        t = fit.table.t[start : start + _ROWS_AT_ONCE]
        taken[start : start + _ROWS_AT_ONCE] = np.asarray(t.multiply(t @ h).sum(axis=1)).ravel()
    return np.asarray(taken / (at.variance / at.weights)[fit.residual_codes])


def far_residuals(fit: MixedFit) -> tuple[int, float, bool]:
    """Residuals beyond three standard deviations: how many, how many of normal ones, and whether
    they are more than twice that and more than chance explains (binomial test at 0.001, rows taken
    as independent).
    """
    size = np.abs(fit.fitted()["residual_scaled"].to_numpy(float))
    beyond, expected = int((size > 3).sum()), len(size) * _NORMAL_BEYOND
    chance = scipy.stats.binom.sf(beyond - 1, len(size), _NORMAL_BEYOND)
    return beyond, expected, bool(beyond > 2 * expected and chance < SURE)


def _ratio(size: Floats, by: pd.Series) -> float:
    means = pd.Series(size, index=by.index).groupby(by, observed=True).mean()
    return float(means.max() / means.min()) if means.min() > 0 else float("inf")


def leave_out(fit: MixedFit, combinations: Floats, labels: Sequence[str]) -> pd.DataFrame:
    """Change of combinations of all columns of X, (m, all columns), when a scan is left out.

    ``scan, n_rows, contrast, change`` (without minus with), ``change_in_se`` (over the standard
    error). The variance components are held, so this is exact for the fixed effects given them.
    With the inverse H of the mixed model equations and the rows T_i, residuals e_i and residual
    variances R_i of the scan, the solution without it is the solution less ``H T_i' (R_i - T_i H
    T_i')^-1 e_i`` (Woodbury).
    """
    at, pr = fit.optimum.at, fit.problem
    h = fit.equations
    residual = fit.fitted()["residual"].to_numpy(float) / pr.scale
    weight = (at.variance / at.weights)[fit.residual_codes]
    rows = fit.rows(combinations)
    se = fit.inference.se(rows, fit.method)
    out = []
    scans = fit.design.data["scan"].astype(str).to_numpy(object)
    for scan in pd.unique(scans):
        here = np.flatnonzero(scans == scan)
        own = fit.table.t[here]
        met = np.unique(own.indices)  # columns that are not zero in these rows
        t = own[:, met].toarray()
        left = np.diag(weight[here]) - t @ h[np.ix_(met, met)] @ t.T
        change = -h[pr.q :, met] @ (t.T @ _solved(left, residual[here]))
        moved = rows @ change * pr.scale
        for name, value, error in zip(labels, moved, se, strict=True):
            out.append((scan, len(here), name, value, value / error if error > 0 else np.nan))
    return pd.DataFrame(out, columns=["scan", "n_rows", "contrast", "change", "change_in_se"])


def _solved(matrix: Floats, right: Floats) -> Floats:
    """Solution with a symmetric matrix; the shortest one where it is singular."""
    root, failed = linalg.lapack.dpotrf(matrix, lower=1)
    if failed or np.diag(root).min() ** 2 <= _REGULAR * np.diag(matrix).max():
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=1e-10)[0])
    return np.asarray(linalg.lapack.dpotrs(root, right, lower=1)[0])


_MOST_CLASSES = 5
_ALIKE = 0.01  # distance of two values, relative to the range, up to which they are one
_MEAN = "mean_of_response"
_SHOWN = 0.05
_LEAST_DF_OF_TEST = (
    1e-6  # below it the random terms take up all that the added columns could explain
)


def lack_of_fit(fit: MixedFit) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare observed means with the fixed part, by condition and class of every covariate.

    Rows of tables ``model_classes`` and ``model_lack_of_fit``, empty without covariates or the
    columns ``condition``, ``site`` and ``model``. Observed and fitted means are those of pairs
    (implants, models) over scans, by condition; covariates that vary between scans of one pair have
    tests only. A test adds columns to the fixed part and asks, with the degrees of freedom of the
    fit's method, whether they are zero: classes of the covariate in every condition; its square;
    its slope in every condition where the model has none. The ratios of the standard deviations are
    held at those of the fit, so all its random terms stand behind the test, and what is missing
    counts as scatter of pairs at first: the test errs on the safe side.
    """
    data = fit.design.data
    if not {"condition", "site", "model"} <= set(data):
        return pd.DataFrame(), pd.DataFrame()
    means = _means(fit)
    columns = [c for c in fit.design.centres if np.ptp(data[c].astype(float)) > 0]
    if len(means) < 4 or not columns:
        return pd.DataFrame(), pd.DataFrame()
    classes, tests = [], []
    for column in columns:
        values = data[column].astype(float)
        limits = _limits(values)
        tests += _tests(fit, column, _cut(values, limits))
        if column in means:
            classes.append(_observed(means, column, _cut(means[column], limits)))
    table = pd.DataFrame(tests, columns=["covariate", "missing", "num_df", "den_df", "F", "p"])
    table["p_holm"], table["method"] = holm(table["p"]), fit.method
    table["shown"] = below(table["p_holm"].to_numpy(float), _SHOWN)
    return pd.concat(classes, ignore_index=True) if classes else pd.DataFrame(), table


def _means(fit: MixedFit) -> pd.DataFrame:
    """Means over scans of response and fixed part, with what does not vary over them."""
    data = fit.design.data
    factors = [f for f in fit.design.levels if f in data]
    keys = list(dict.fromkeys([*factors, "condition", "model", "site"]))
    frame = data[keys].astype(str)
    frame[_MEAN] = fit.design.y
    frame["fitted_fixed"] = fit.design.x @ fit.beta
    columns = [c for c in fit.design.centres if c not in keys]
    frame[columns] = data[columns].astype(float)
    grouped = frame.groupby(keys, sort=True, observed=True)
    spread = (grouped[columns].max() - grouped[columns].min()).max()
    scale = frame[columns].std().clip(lower=1e-300)
    varying = [c for c in columns if spread[c] > 1e-6 * scale[c]]
    means = grouped[[_MEAN, "fitted_fixed", *columns]].mean().reset_index()
    fixed = [c for c in columns if c not in varying]
    return means[[*keys, _MEAN, "fitted_fixed", *fixed]]


def _limits(values: pd.Series) -> Floats:
    """Upper limits of the classes: every value where there are few, else quantiles."""
    known = np.unique(values.to_numpy(float).round(6))
    apart = np.diff(known) > _ALIKE * (known[-1] - known[0])
    ends = known[np.append(apart, True)]
    if len(ends) <= _MOST_CLASSES:
        return np.asarray(ends, float)
    shares = np.linspace(0.0, 1.0, _MOST_CLASSES)[1:]
    return np.unique(np.quantile(known, shares, method="inverted_cdf"))


def _cut(values: pd.Series, limits: Floats) -> pd.Series:
    """Number of the class of every value."""
    place = np.searchsorted(limits, values.to_numpy(float).round(6))
    return pd.Series(np.minimum(place, len(limits) - 1), index=values.index)


def _observed(means: pd.DataFrame, column: str, cut: pd.Series) -> pd.DataFrame:
    grouped = means.assign(_class=cut).groupby(["condition", "_class"], sort=True)
    limits = means[column].groupby(cut).agg(["min", "max"])
    out = grouped.agg(
        value=(column, "mean"), n_means=(column, "size"),
        observed=(_MEAN, "mean"), fitted=("fitted_fixed", "mean"),
    ).reset_index()  # fmt: skip
    out["class_low"] = out["_class"].map(limits["min"])
    out["class_high"] = out["_class"].map(limits["max"])
    out["difference"] = out["observed"] - out["fitted"]
    return out.drop(columns="_class").assign(covariate=column)


def _tests(
    fit: MixedFit, column: str, cut: pd.Series
) -> list[tuple[str, str, float, float, float, float]]:
    """What may be missing along one covariate, each tried by itself."""
    design = fit.design
    values = design.data[column].astype(float).to_numpy()
    factor = next((f for f, v in design.levels.items() if len(v) > 1 and f in design.data), "")
    crossed = any(design.of_column(t, column) and factor in t.factors for t in design.terms)
    levels = np.ones((len(values), 1))
    if factor:
        levels = _dummies(design.data[factor].astype(str))
    classes = np.einsum("ni,nj->nij", _dummies(cut), levels).reshape(len(values), -1)
    centred = (values - values.mean()) / max(float(values.std()), 1e-300)
    tried = [("classes by condition", classes)]
    if len(_limits(design.data[column].astype(float))) > 2:
        tried.append(("curvature", centred[:, None] ** 2))
    if factor and not crossed:
        tried.append((f"interaction with {factor}", levels * centred[:, None]))
    out = []
    for missing, columns in tried:
        test = _added(fit, columns)
        if test is not None:
            out.append((column, missing, test.num_df, test.den_df, test.F, test.p))
    return out


def _dummies(labels: pd.Series) -> Floats:
    return pd.get_dummies(labels.to_numpy(), dtype=float).to_numpy(float)


def _added(fit: MixedFit, columns: Floats) -> FTest | None:
    """F test of columns added to the fixed part, the ratios of its SDs held."""
    table = fit.table
    q = table.orthonormal
    rest = columns - q @ (q.T @ columns)
    rest -= q @ (q.T @ rest)
    u, size, _ = np.linalg.svd(rest, full_matrices=False)
    extra = u[:, size > 1e-7 * max(float(np.linalg.norm(columns, axis=0).max()), 1e-300)]
    if not extra.shape[1] or len(q) <= q.shape[1] + extra.shape[1]:
        return None
    try:
        problem, taken = table.widened(extra).problem(fit.design.y)
        at = fit.optimum.at
        there = Evaluation(problem, at.theta, at.weights)
        inference = Inference(pieces(there), problem.scale)
        rows = np.eye(q.shape[1] + extra.shape[1])[q.shape[1] :]
        found = there.solution[problem.q + q.shape[1] :] * problem.scale
        estimates = found + taken[q.shape[1] :]
        test = inference.joint(rows, estimates, fit.method)
        return test if test.den_df > _LEAST_DF_OF_TEST else None
    except (AccstudyError, np.linalg.LinAlgError):  # too few rows for the added columns
        return None


def lack_findings(classes: pd.DataFrame, tests: pd.DataFrame, *, unit: str) -> list[Finding]:
    """Warn of covariates whose fitted means miss what was seen, with what to add."""
    out = []
    for column in dict.fromkeys(tests["covariate"]) if len(tests) else ():
        mine = tests[tests["covariate"] == column]
        shown = mine[mine["shown"].fillna(False)].sort_values("p")
        if not len(shown):
            continue
        first = shown.iloc[0]
        missing = str(first["missing"])
        if missing == "curvature":
            mend = say("findings.add_i_2_to", column=column)
        elif missing == "classes by condition":
            mend = say("findings.allow_conditions_a_separate", column=column)
        else:
            factor = missing.removeprefix("interaction with ")
            mend = say("findings.add_to_fixed", missing=factor, column=column)
        what = say(
            "findings.the_fitted_means_depart",
            column=column, missing=missing, p_holm=p_words(first["p_holm"]),
            where_missed=_largest_miss(classes, column, unit),
        )  # fmt: skip
        out.append(warning("lack-of-fit", what, mend=mend))
    return out


def _largest_miss(classes: pd.DataFrame, column: str, unit: str) -> str:
    """Where fitted and observed means are farthest apart; empty where pairs have no class."""
    of = classes[classes["covariate"] == column] if len(classes) else classes
    if not len(of):
        return ""
    worst = of.sort_values("difference", key=np.abs, kind="stable").iloc[-1]
    named = f'"{worst["condition"]}" at ' if worst["condition"] else ""
    ends = f"{number(worst['class_low'])} to {number(worst['class_high'])} of {column}"
    return (
        f": {named}{ends} the observed mean is {number(worst['observed'])}{unit and ' ' + unit}, "
        f"the fitted mean {number(worst['fitted'])}"
    )


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
