"""All models of a study in one set of tables; each also fitted anew, as a check.

Fitted anew: by another program, for these operators alone, to simulated data.

References
----------
Halekoh, Højsgaard: A Kenward-Roger approximation and parametric bootstrap methods
for tests in linear mixed models, J. Stat. Softw. 59 (2014) no. 9, section 5. Davison,
Hinkley: Bootstrap Methods and their Application (1997), eq. 4.11 (p value).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg

from accstudy.errors import AccstudyError, Finding, warning
from accstudy.models.checks import (
    design_findings,
    far_residuals,
    fit_findings,
    lack_findings,
    lack_of_fit,
    leave_out,
    quantiles,
    spread_tests,
    uneven_factor,
)
from accstudy.models.crossproducts import Floats, Problem, restricted
from accstudy.models.decisions import DIFFERS, contrast_verdict, determined, log_base
from accstudy.models.grouping import expand_random
from accstudy.models.inference import (
    cell_rows,
    component_tests,
    r_squared,
    sd_limits,
    shares,
    slope_rows,
    term_rows,
)
from accstudy.models.likelihood import Evaluation
from accstudy.models.means import (
    blank_outside,
    common_range,
    contrasts,
    effect_lines,
    effect_table,
    held_values,
    marginal_means,
    model_contrasts,
    overlap_findings,
    ratios,
    slopes,
)
from accstudy.models.mixed import MixedFit, assumed_fit, fit_mixed, unequal_fit
from accstudy.models.optimum import highest
from accstudy.models.responses import model_frame, not_of_the_unknown, plain_response, stated_rows
from accstudy.models.specs import ModelSpec
from accstudy.tables import empty, shape
from accstudy.words.catalogue import say
from accstudy.words.names import unit_of_column

if TYPE_CHECKING:
    from statsmodels.regression.mixed_linear_model import MixedLMParams

FURTHER = (
    "residuals", "quantiles", "spread", "influence", "unequal", "covariates", "contrasts_at",
    "effects", "lines", "classes", "lack_of_fit", "fits", "operators", "bootstrap",
)  # fmt: skip
"""Names of the further tables, which stand as ``model_...`` in the results folder."""


@dataclass(frozen=True)
class ModelResults:
    """All results of the mixed models of a study: tables ``model_...`` by name, those in `FURTHER`
    in `further`, each with ``model_name``; and findings, each with the model it is about.
    """

    terms: pd.DataFrame
    tests: pd.DataFrame
    variances: pd.DataFrame
    means: pd.DataFrame
    contrasts: pd.DataFrame
    further: Mapping[str, pd.DataFrame]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _One:
    tables: dict[str, pd.DataFrame]
    further: dict[str, pd.DataFrame]
    findings: list[Finding]


def model_tables(
    specs: Sequence[ModelSpec],
    pairs: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    confidence: float = 0.95,
    alignment: str = "all-implants",
    limits: bool = True,
) -> ModelResults:
    """Fit every model of a study and state what follows.

    Parameters
    ----------
    specs : sequence of ModelSpec
        The models.
    pairs, implants : DataFrame
        Tables ``pair_deviations`` and ``implant_deviations`` with the scans' factor
        columns.
    confidence : float
        Of all limits.
    alignment : str
        Rows of ``implant_deviations`` to model.
    limits : bool
        Work out profile limits of the standard deviations of the first model and of the
        first one of a logarithm, which lead a report; they are slow, and those of the others
        are left empty.

    Returns
    -------
    ModelResults
        A model that cannot be fitted leaves a warning that names its columns; the
        others go on.
    """
    log_spec = next((s for s in specs if log_base(plain_response(s.response))), None)
    done: list[_One] = []
    findings: list[Finding] = []
    for spec in specs:
        where = f'model "{spec.name}"'
        try:
            fit, response, early = spec_fit(spec, pairs, implants, alignment=alignment)
            leading = spec in (specs[0], log_spec)
            one = _state(spec, fit, response, confidence, limits and leading)
        except AccstudyError as error:
            findings += [
                warning("model-left-out", f.what, f.where or where, f.mend) for f in error.findings
            ]
            continue
        except Exception as error:  # one model must never take the whole analysis down
            what = say("findings.the_model_failed_with", name=type(error).__name__, error=error)
            mend = say("findings.simplify_the_model_and")
            findings.append(warning("model-failed", what, where, mend))
            continue
        about = [*early, *fit.findings]
        if spec.absorbed:
            about = not_of_the_unknown(fit.design, about, spec.absorbed)
        findings += [replace(f, where=f.where or where) for f in (*about, *one.findings)]
        done.append(one)
    tables = {
        name: shape(name, _stack([one.tables[name] for one in done]))
        if any(len(one.tables[name]) for one in done)
        else empty(name)
        for name in ("model_terms", "model_tests", "model_variances", "model_means",
                     "model_contrasts")
    }  # fmt: skip
    further = {name: _stack([one.further[name] for one in done]) for name in FURTHER}
    if len(further["fits"]):
        further["fits"] = _with_roles(further["fits"], tables)
    return ModelResults(
        terms=tables["model_terms"],
        tests=tables["model_tests"],
        variances=tables["model_variances"],
        means=tables["model_means"],
        contrasts=tables["model_contrasts"],
        further=further,
        findings=tuple(dict.fromkeys(findings)),
    )


def spec_fit(
    spec: ModelSpec, pairs: pd.DataFrame, implants: pd.DataFrame, *, alignment: str
) -> tuple[MixedFit, str, list[Finding]]:
    """Fit one model of a study.

    Parameters
    ----------
    spec : ModelSpec
        The model.
    pairs, implants : DataFrame
        Deviation tables.
    alignment : str
        Rows of ``implant_deviations`` to model.

    Returns
    -------
    fit : MixedFit
    response : str
        As written, without prefix.
    findings : list of Finding
        About the response; those about the design are in ``fit.findings``.
    """
    response, frame, findings = model_frame(spec.response, pairs, implants, alignment=alignment)
    fixed, random = _plain(spec)
    fit = fit_mixed(
        f"{response} ~ {fixed}", random, frame,
        residual_sd_by=spec.residual_sd_by or None, method=spec.method,
    )  # fmt: skip
    return fit, response, findings + design_findings(fit.design, random)


def planned_fit(spec: ModelSpec, pairs: pd.DataFrame, sds: Mapping[str, float]) -> MixedFit:
    """A model of a study that has not been made, its standard deviations being known.

    Parameters
    ----------
    spec : ModelSpec
        The model; of a response of pairs.
    pairs : DataFrame
        Table ``pair_deviations`` of the study; its deviations may be any numbers.
    sds : mapping of str to float
        As for `accstudy.models.mixed.assumed_fit`.
    """
    response, frame, _ = model_frame(spec.response, pairs, pairs, alignment="")
    fixed, random = _plain(spec)
    return assumed_fit(
        f"{response} ~ {fixed}", random, frame, sds,
        residual_sd_by=spec.residual_sd_by or None, method=spec.method,
    )  # fmt: skip


def _plain(spec: ModelSpec) -> tuple[str, tuple[str, ...]]:
    """Fixed and random part without the names of tables."""
    fixed = " + ".join(p for p in (plain_response(spec.fixed), spec.absorbed) if p)
    return fixed, tuple(plain_response(r) for r in spec.random)


def _state(spec: ModelSpec, fit: MixedFit, response: str, confidence: float, limits: bool) -> _One:
    tests = fit.tests()
    terms = fit.coefficients(confidence=confidence)
    held = {**held_values(fit.design), **dict(spec.at)}
    means = [
        marginal_means(fit, ":".join(t.factors), at=held, confidence=confidence)
        for t in fit.design.terms
        if t.factors and not t.covariates and not spec.absorbed
    ]
    means = [blank_outside(fit.design, table, held, ("level",)) for table in means]
    compared = _stack(_contrast_tables(spec, fit, at=held, confidence=confidence))
    if len(compared):
        compared["verdict"] = [
            contrast_verdict(
                row, response=response, method=fit.method, confidence=confidence,
                one_sided=spec.non_inferiority,
            )
            for _, row in compared.iterrows()
        ]  # fmt: skip
    variances = _variance_rows(fit, confidence, limits)
    spread = spread_tests(fit)
    tables = {
        "model_terms": terms.assign(method=fit.method, confidence=confidence),
        "model_tests": tests.assign(method=fit.method),
        "model_variances": variances.assign(confidence=confidence),
        "model_means": _in_unit(_stack(means), response, _MEANS).assign(confidence=confidence),
        "model_contrasts": compared,
    }
    if spec.absorbed:
        tables = stated_rows(tables, fit, spec.absorbed)
        tests = tables["model_tests"]
    for table in tables.values():
        table.insert(0, "model_name", spec.name)
        table.insert(1, "response", spec.response)
    classes, missed = lack_of_fit(fit)
    effects = effect_table(fit, spec.response, confidence=confidence)
    if spec.of_these_models:
        effects = model_contrasts(fit, confidence=confidence)
    further = {
        "residuals": _residual_rows(fit),
        "quantiles": quantiles(fit),
        "spread": spread,
        "influence": _influence(fit, spec.absorbed),
        "unequal": _changed(
            _unequal_rows(spec, fit, uneven_factor(fit, spread), confidence), compared
        ),
        "covariates": _covariate_rows(fit, held),
        "contrasts_at": _contrasts_at(fit, held, confidence),
        "effects": effects,
        "lines": effect_lines(fit, confidence=confidence).assign(confidence=confidence),
        "classes": _in_unit(classes, response, _CLASSES).assign(
            largest=_is_largest(classes["difference"].abs()) if len(classes) else False
        ),
        "lack_of_fit": missed,
        "fits": fit_summary(fit, spec),
        "bootstrap": bootstrap_tests(fit, spec.bootstrap),
        "operators": for_these_operators(spec, fit, held, confidence=confidence),
    }
    if spec.absorbed:
        further = stated_rows(further, fit, spec.absorbed)
    apart = float(further["fits"][["engine_difference", "engine_gain"]].iloc[0].max())
    findings = [
        *fit_findings(fit, tests, spread),
        *overlap_findings(fit.design, held),
        *lack_findings(classes, missed, unit=unit_of_column(response)),
    ]
    if apart > DIFFERS:
        what = say("findings.statsmodels_finds_different_estimates", apart=apart)
        findings.append(warning("engines-differ", what, mend=say("findings.report_this")))
    for name, table in further.items():
        further[name] = table.assign(model_name=spec.name, response=spec.response)
    return _One(tables, further, findings)


def _changed(other: pd.DataFrame, compared: pd.DataFrame) -> pd.DataFrame:
    """Which contrasts let the levels scatter differently and then show something else."""
    if not len(other):
        return other
    verdict = ["shown", "equivalent"]
    used = compared[compared["covariate"] == ""].drop_duplicates("contrast").set_index("contrast")
    here = other[verdict].fillna(False).astype(bool)
    there = used.reindex(other["contrast"])[verdict].fillna(False).astype(bool)
    differ = (here.to_numpy() != there.to_numpy()).any(axis=1)
    return other.assign(changed=differ & other["contrast"].isin(used.index))


def _with_roles(fits: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Name the model that leads a report, and those of sizes and of scatter beside it."""
    means, contrasts = tables["model_means"], tables["model_contrasts"]
    compared = contrasts[contrasts["covariate"] == ""] if len(contrasts) else contrasts
    known = {*means.get("model_name", ()), *compared.get("model_name", ())}
    names, responses = fits["model_name"].tolist(), fits["response"].astype(str).tolist()
    of = {n: r for n, r in zip(names, responses, strict=True) if n in known}
    logs = [n for n, r in of.items() if log_base(plain_response(r)) is not None]
    scatter = [n for n, r in of.items() if r.startswith("spread(")]
    signed = [n for n, r in of.items() if n not in logs and not r.startswith("scan.")]
    lead = next(iter(signed or of), "")
    size = [n for n in logs if n not in (lead, *scatter) and of[lead] in of[n]]
    roles = {**dict.fromkeys(scatter[:1], "scatter"), **dict.fromkeys(size[:1], "size"),
             lead: "lead"}  # fmt: skip
    return fits.assign(role=[roles.get(n, "") for n in names])


def _is_largest(values: pd.Series) -> pd.Series:
    """True in the row of the largest value, the first of equals."""
    known = values.dropna()
    return pd.Series(values.index == (known.idxmax() if len(known) else None), index=values.index)


_MEANS = {"mean": "estimate", "mean_low": "low", "mean_high": "high"}
_CLASSES = {"observed_mean": "observed", "fitted_mean": "fitted"}


def _in_unit(table: pd.DataFrame, response: str, names: dict[str, str]) -> pd.DataFrame:
    """Columns in the unit of the data beside those of the response; of a log taken back."""
    base = log_base(response)
    known = {new: table[old].astype(float) for new, old in names.items() if old in table}
    return table.assign(**{new: v if base is None else base**v for new, v in known.items()})


def _stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put tables below each other, those without rows left out."""
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()


def _contrast_tables(
    spec: ModelSpec, fit: MixedFit, *, at: Mapping[str, float], confidence: float
) -> list[pd.DataFrame]:
    """Contrasts and slopes that the formula asks for, one table a family.

    Every factor: all pairs of levels; two crossed factors: pairs of the first
    within each level of the second; every covariate: its slope, by level of a
    factor that it interacts with. What is adjusted is adjusted within the family.
    """
    out = []
    levels = fit.design.levels
    sloped: dict[str, list[str]] = {c: [] for c in fit.design.centres}
    for term in fit.design.terms:
        columns = dict.fromkeys(c for part in term.covariates for c in fit.design.sources[part])
        if term.factors and len(columns) == 1:
            column, by = next(iter(columns)), ":".join(term.factors)
            sloped[column] += [] if by in sloped[column] else [by]
        if spec.absorbed in term.factors:
            continue
        if term.covariates or not term.factors or any(len(levels[f]) < 2 for f in term.factors):
            continue
        table = contrasts(
            fit, term.factors[0], by=":".join(term.factors[1:]), at=at, confidence=confidence,
            margin=spec.equivalence_margin, one_sided=spec.non_inferiority, adjust=spec.adjust,
        )  # fmt: skip
        out.append(table)
    for covariate, factors in sloped.items():
        for factor in factors or [""]:
            table = slopes(
                fit, covariate, factor=factor, at=at, confidence=confidence, adjust=spec.adjust
            )
            out.append(table)
    held = {**held_values(fit.design), **at}
    stated = [
        blank_outside(fit.design, t, held, ("level_a", "level_b"))
        if (t["covariate"] == "").all()
        else t
        for t in out
    ]
    return [determined(t, confidence=confidence, adjust=spec.adjust) for t in stated if len(t)]


def _covariate_rows(fit: MixedFit, held: Mapping[str, float]) -> pd.DataFrame:
    """Where every covariate is held, and which values all conditions have."""
    rows = []
    for column in fit.design.centres:
        values = fit.design.data[column].astype(float)
        low, high = common_range(fit, column)
        own = held.get(column, float(values.mean()))
        rows.append((column, own, values.mean(), values.std(), low, high))
    names = ["covariate", "held", "mean", "sd", "common_low", "common_high"]
    table = pd.DataFrame(rows, columns=names)
    return table.assign(overlaps=table["common_low"] <= table["common_high"])


def _contrasts_at(fit: MixedFit, held: dict[str, float], confidence: float) -> pd.DataFrame:
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


def _variance_rows(fit: MixedFit, confidence: float, limits: bool) -> pd.DataFrame:
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
    return table.assign(largest=_is_largest(table["share"].astype(float)))


def _residual_rows(fit: MixedFit) -> pd.DataFrame:
    """Fitted values and residuals of every modelled row."""
    frame = fit.fitted()
    wanted = ["scan", "model", "condition", "site", "span_mm", "path_mm", "fitted",
              "fitted_fixed", "residual", "residual_scaled"]  # fmt: skip
    return frame[[c for c in wanted if c in frame]].reset_index(drop=True)


def _influence(fit: MixedFit, passed_over: str) -> pd.DataFrame:
    """Leave one scan out: change of the first comparison, or slope, or of the mean."""
    if "scan" not in fit.design.data:
        return pd.DataFrame()
    rows, labels, covariate = _main_rows(fit, passed_over)
    if not len(rows):
        return pd.DataFrame()
    table = leave_out(fit, rows, labels).assign(covariate=covariate)
    return table.assign(largest=_is_largest(table["change_in_se"].abs()))


def _unequal_rows(spec: ModelSpec, fit: MixedFit, factor: str, confidence: float) -> pd.DataFrame:
    """Differences of levels from a fit that lets the levels of `factor` scatter differently."""
    if not factor or fit.residual_levels:
        return pd.DataFrame()
    try:
        other = unequal_fit(fit, factor)
        families = _contrast_tables(spec, other, at=dict(spec.at), confidence=confidence)
    except AccstudyError:  # a level without scatter of its own: the finding stays
        return pd.DataFrame()
    table = _stack([t for t in families if not (t["covariate"] != "").any()])
    return table.assign(residual_sd_by=factor)


def _main_rows(fit: MixedFit, passed_over: str) -> tuple[np.ndarray, list[str], str]:
    """Rows of the first comparison with their labels; the covariate if it is a slope."""
    design = fit.design
    for factor, levels in design.levels.items():
        if len(levels) < 2 or factor == passed_over:
            continue
        cells = cell_rows(design, (factor,), design.centres)
        rows = np.array([c.row - cells[0].row for c in cells[1:]])
        known = design.estimable(rows)
        labels = [f"{c.levels[0]} - {cells[0].levels[0]}" for c in cells[1:]]
        if known.any():
            return rows[known], [x for x, k in zip(labels, known, strict=True) if k], ""
    for covariate in design.centres:
        rows = np.array([c.row for c in slope_rows(design, covariate, (), design.centres)])
        if design.estimable(rows).all():
            return rows, [f"slope of {covariate}"], covariate
    rows = np.array([c.row for c in cell_rows(design, (), design.centres)])
    known = design.estimable(rows)
    return rows[known], ["mean"] * int(known.sum()), ""


FEW_OPERATORS = 6
"""Operators below which results are also stated for those of the study alone."""

# columns of Z, without components at zero, beyond which statsmodels takes long
_COLUMNS, _SEARCHED = 1500, 200


def fit_summary(fit: MixedFit, spec: ModelSpec) -> pd.DataFrame:
    """One row of table ``model_fits``: what was fitted, how much it explains, what statsmodels
    finds.

    The difference of the engines is the largest relative one between the coefficients (against
    their standard errors where those are larger) and between the restricted log likelihoods that
    the two programs find at the same components; empty where statsmodels cannot express the model.
    In models of up to 200 columns of random effects statsmodels also searches for itself, from two
    starts: ``engine_gain`` is by how much its best log likelihood is higher than that of the fit
    (below zero where its search stops early).
    """
    r2 = r_squared(fit)
    difference, gain = _once_more(fit)
    beyond, _, heavy = far_residuals(fit)
    row = {
        "n_rows": fit.n,
        "n_coefficients": fit.problem.p,
        "fixed": fit.formula,
        "random": " + ".join(fit.random),
        "r2_marginal": r2["marginal"],
        "r2_conditional": r2["conditional"],
        "engine": "" if np.isnan(difference) else "statsmodels MixedLM",
        "engine_difference": difference,
        "engine_gain": gain,
        "engine_higher": None if np.isnan(gain) else gain > DIFFERS,
        "n_beyond_3sd": beyond,
        "largest_scaled": fit.fitted()["residual_scaled"].abs().max(),
        "heavy_tails": heavy,
        "residual_sd_by": fit.residual_sd_by or "",
        "method": fit.method,
        "adjust": spec.adjust,
        "simultaneous": spec.simultaneous,
        "equivalence_margin": spec.equivalence_margin,
        "non_inferiority": spec.non_inferiority,
    }
    return pd.DataFrame([row])


def _once_more(fit: MixedFit) -> tuple[float, float]:
    """Relative difference at the same components; what statsmodels' own search gains. NaN: none."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec  # slow to import

    zero = set(fit.zero)
    kept = [g for g in fit.groups if g.name not in zero]
    columns = sum(len(g.labels) for g in kept)
    if fit.residual_levels or not kept or columns > _COLUMNS:
        return np.nan, np.nan
    names = [g.name for g in kept]
    specs = VCSpec(names, [[list(g.labels)] for g in kept], [[g.z.toarray()] for g in kept])
    ratios = (fit.sds[names] / fit.sds["residual"]).to_numpy(float) ** 2
    scale, p = fit.problem.scale, fit.problem.p
    gain = np.nan
    with warnings.catch_warnings():  # it warns of components near zero
        warnings.simplefilter("ignore")
        other = MixedLM(fit.design.y / scale, fit.table.orthonormal, np.ones(fit.n), exog_vc=specs)
        other.cov_pen = other.fe_pen = None  # set by its own fit
        other.reml = True
        inner, _ = other.get_fe_params(np.zeros((0, 0)), ratios)
        likelihood = float(other.loglike(_params(inner, ratios)))
        if columns <= _SEARCHED:  # its search may stop early: from afar, then from near
            found = [
                other.fit(_params(np.zeros(p), at), method="lbfgs", factr=10.0, pgtol=1e-9)
                for at in (np.ones(len(names)), 1.5 * ratios)
            ]
            gain = max(float(one.llf) for one in found) - likelihood
    theirs = np.linalg.solve(fit.upper, inner * scale)
    se = fit.coefficients()["se"].to_numpy(float)
    apart = np.abs(theirs - fit.beta) / np.maximum(np.abs(fit.beta), se)
    mine = -0.5 * (fit.optimum.at.criterion - 2 * fit.table.log_det_r)
    likelihood -= (fit.n - p) * np.log(scale)
    return float(max(apart.max(), abs(likelihood - mine) / max(abs(mine), 1.0))), gain


def _params(coefficients: Floats, ratios: Floats) -> MixedLMParams:
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    return MixedLMParams.from_components(
        fe_params=coefficients, cov_re=np.zeros((0, 0)), vcomp=ratios
    )


def for_these_operators(
    spec: ModelSpec, fit: MixedFit, held: Mapping[str, float], *, confidence: float
) -> pd.DataFrame:
    """Differences of levels with fixed operators, valid for these operators only.

    As `accstudy.models.means.contrasts`, with ``holds_for``; empty where operators are many,
    absent, or not random in the model.
    """
    factor = next(
        (f for f, n in fit.design.levels.items() if len(n) > 1 and f != spec.absorbed), ""
    )
    own = {"operator", "condition", factor}
    terms = expand_random(spec.random)
    kept = [t for t in terms if not _of_operators(t, own)]
    if not factor or len(kept) == len(terms) or "operator" not in fit.design.data:
        return pd.DataFrame()
    if not 1 < fit.design.data["operator"].nunique() < FEW_OPERATORS:
        return pd.DataFrame()
    fixed = plain_response(spec.fixed)
    own_levels = f" + {spec.absorbed}" if spec.absorbed else ""
    try:
        other = fit_mixed(
            f"{fit.design.response} ~ operator * ({fixed}){own_levels}", kept, fit.design.data,
            residual_sd_by=spec.residual_sd_by or None, method=spec.method, near=fit,
        )  # fmt: skip
        table = contrasts(
            other, factor, at=held, confidence=confidence, margin=spec.equivalence_margin,
            one_sided=spec.non_inferiority, adjust=spec.adjust,
        )  # fmt: skip
    except AccstudyError:  # an operator who did not use every level: nothing to average
        return pd.DataFrame()
    known = determined(table, confidence=confidence, adjust=spec.adjust)
    return known.assign(holds_for="these operators only")


def _of_operators(term: str, own: set[str]) -> bool:
    """Whether a random term is that of the operators, alone or with what is compared."""
    columns = set(term.partition(" by ")[0].rpartition(" | ")[2].split(":"))
    return "operator" in columns and columns <= own


def bootstrap_tests(fit: MixedFit, draws: int) -> pd.DataFrame:
    """Rows of table ``model_bootstrap``: every term that the data determine, if requested.

    A term is tested by data simulated under the model without it, each fitted anew: ``F`` is
    Wald's, without small-sample adjustment, ``p`` the share of simulated ones that are as large,
    ``(1 + count) / (1 + draws)``, with its standard error ``p_se``.
    """
    values = fit.design.held_for_tests(True)
    out = []
    for term in fit.design.terms if draws else ():
        if term.name == "1":
            continue
        full = fit.determined(term_rows(fit.design, term, values))
        if len(full):
            F, p = _bootstrap_test(fit, fit.rows(full), draws)
            out.append((term.name, F, p, float(np.sqrt(p * (1 - p) / draws)), draws))
    return pd.DataFrame(out, columns=["term", "F", "p", "p_se", "draws"])


def _bootstrap_test(fit: MixedFit, rows: Floats, draws: int) -> tuple[float, float]:
    """F and p of combinations of the orthonormal coefficients, (rows, p).

    The null model holds them at zero and is fitted by REML.
    """
    free = linalg.null_space(rows)
    taken_off = fit.upper @ fit.offset / fit.problem.scale
    shift = taken_off - free @ (free.T @ taken_off)
    at = highest(restricted(fit.problem, free, shift))
    observed = _wald(fit.optimum.at, rows, taken_off)
    rng = np.random.default_rng(0)
    larger = 0
    for _ in range(draws):
        drawn, fitted = _drawn(fit, at, rng)
        found = highest(drawn, start=at.parameters)
        larger += _wald(found, rows, fitted) >= observed
    return observed, (1 + larger) / (1 + draws)


def _wald(at: Evaluation, rows: Floats, taken_off: Floats) -> float:
    """Wald statistic over its rank; the response's scale cancels."""
    phi = at.coefficient_covariance
    e = rows @ (at.solution[at.problem.q :] + taken_off)
    return float(e @ np.linalg.solve(rows @ phi @ rows.T, e)) / len(rows)


def _drawn(fit: MixedFit, at: Evaluation, rng: np.random.Generator) -> tuple[Problem, Floats]:
    """Cross-products of a simulated response, and its fit on X that was taken off.

    Fixed effects under the null hypothesis change neither the variances nor the tested
    combinations, so they are left at zero.
    """
    y = rng.normal(size=fit.n) / np.sqrt(at.weights[fit.residual_codes])
    for grouping, theta in zip(fit.groups, at.theta, strict=True):
        y += theta * (grouping.z @ rng.normal(size=len(grouping.labels)))
    drawn, fitted = fit.table.problem(y)
    return drawn, fitted / drawn.scale
