"""All models of a study in one set of tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError, Finding, Severity
from accstudy.models.checks import leave_out, quantiles, spread_tests
from accstudy.models.effects import (
    effect_lines,
    effect_table,
    model_contrasts,
    ratios,
)
from accstudy.models.fit import assumed_fit, fit_mixed, unequal_fit
from accstudy.models.hypotheses import cell_rows, slope_rows
from accstudy.models.lack_of_fit import lack_findings, lack_of_fit
from accstudy.models.means import contrasts, holm, log_base, marginal_means, slopes
from accstudy.models.mixed import MixedFit
from accstudy.models.overlap import (
    blank_outside,
    common_range,
    held_values,
    overlap_findings,
)
from accstudy.models.responses import model_frame, plain_response
from accstudy.models.second import DIFFERS, fit_summary, for_these_operators
from accstudy.models.sentences import (
    component_sentence,
    contrast_verdict,
    f_sentence,
    p_words,
    unit_of,
)
from accstudy.models.specs import ModelSpec
from accstudy.models.usable import design_findings, fit_findings, uneven_factor
from accstudy.models.variances import component_tests, equal_sd_test, r_squared, sd_limits, shares
from accstudy.tables import empty, shape

__all__ = ["FURTHER", "ModelResults", "contrast_tables", "model_tables", "planned_fit", "spec_fit"]

FURTHER = (
    "residuals", "quantiles", "spread", "influence", "unequal", "covariates", "contrasts_at",
    "effects", "lines", "classes", "lack_of_fit", "fits", "operators",
)  # fmt: skip
"""Names of the further tables, which stand as ``model_...`` in the results folder."""


@dataclass(frozen=True)
class ModelResults:
    """Everything that the mixed models of a study say.

    Parameters
    ----------
    terms, tests, variances, means, contrasts : DataFrame
        Tables ``model_terms``, ``model_tests``, ``model_variances``,
        ``model_means``, ``model_contrasts``.
    further : mapping of str to DataFrame
        By name in `FURTHER`, each with ``model_name``: ``residuals`` (a row a modelled
        row), ``quantiles``, ``spread``, ``influence`` (leave one scan out), ``unequal``
        (contrasts once more, with a residual standard deviation a level); where
        covariates are held, differences at the ends of their range, effects of
        angulation and implant count, fitted lines; ``classes`` and ``lack_of_fit``
        (observed against fitted means); ``fits`` (formula, shares explained, second
        engine) and ``operators`` (contrasts with the operators fixed).
    findings : tuple of Finding
        What the user should know, each with the model it is about.
    sentences : dict of str to tuple of str
        Results in words, by model.
    """

    terms: pd.DataFrame
    tests: pd.DataFrame
    variances: pd.DataFrame
    means: pd.DataFrame
    contrasts: pd.DataFrame
    further: Mapping[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    sentences: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class _One:
    tables: dict[str, pd.DataFrame]
    further: dict[str, pd.DataFrame]
    findings: list[Finding]
    sentences: tuple[str, ...]


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
        Work out profile limits of the standard deviations of the first model; they are
        by far the slowest part, and those of the others are left empty.

    Returns
    -------
    ModelResults
        A model that cannot be fitted leaves a warning that names its columns; the
        others go on.
    """
    done: list[_One] = []
    findings: list[Finding] = []
    sentences: dict[str, tuple[str, ...]] = {}
    for spec in specs:
        where = f'model "{spec.name}"'
        try:
            fit, response, early = spec_fit(spec, pairs, implants, alignment=alignment)
            leading = spec is specs[0]
            one = _state(spec, fit, response, confidence, limits and leading, where)
        except AccstudyError as error:
            findings += [
                Finding(Severity.WARNING, "model-left-out", f.what, f.where or where, f.mend)
                for f in error.findings
            ]
            continue
        except Exception as error:  # one model must never take the whole analysis down
            what = f"the model failed with {type(error).__name__}: {error}"
            findings.append(
                Finding(
                    Severity.WARNING, "model-failed", what, where, "simplify it, and report this"
                )
            )
            continue
        findings += [replace(f, where=f.where or where) for f in (*early, *fit.findings)]
        findings += one.findings
        sentences[spec.name] = one.sentences
        done.append(one)
    tables = {
        name: shape(name, _stack([one.tables[name] for one in done]))
        if any(len(one.tables[name]) for one in done)
        else empty(name)
        for name in ("model_terms", "model_tests", "model_variances", "model_means",
                     "model_contrasts")
    }  # fmt: skip
    return ModelResults(
        terms=tables["model_terms"],
        tests=tables["model_tests"],
        variances=tables["model_variances"],
        means=tables["model_means"],
        contrasts=tables["model_contrasts"],
        further={name: _stack([one.further[name] for one in done]) for name in FURTHER},
        findings=tuple(dict.fromkeys(findings)),
        sentences=sentences,
    )


def _stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()


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
        f"{response} ~ {fixed}",
        random,
        frame,
        residual_sd_by=spec.residual_sd_by or None,
        method=spec.method,
    )
    where = f'model "{spec.name}"'
    return fit, response, findings + design_findings(fit.design, random, where=where)


def planned_fit(spec: ModelSpec, pairs: pd.DataFrame, sds: Mapping[str, float]) -> MixedFit:
    """A model of a study that has not been made, its standard deviations being known.

    Parameters
    ----------
    spec : ModelSpec
        The model; of a response of pairs.
    pairs : DataFrame
        Table ``pair_deviations`` of the study; its deviations may be any numbers.
    sds : mapping of str to float
        As for `accstudy.models.fit.assumed_fit`.
    """
    response, frame, _ = model_frame(spec.response, pairs, pairs, alignment="")
    fixed, random = _plain(spec)
    return assumed_fit(
        f"{response} ~ {fixed}",
        random,
        frame,
        sds,
        residual_sd_by=spec.residual_sd_by or None,
        method=spec.method,
    )


def _plain(spec: ModelSpec) -> tuple[str, tuple[str, ...]]:
    """Fixed and random part without the names of tables."""
    return plain_response(spec.fixed), tuple(plain_response(r) for r in spec.random)


def contrast_tables(
    fit: MixedFit,
    *,
    at: Mapping[str, float] | None = None,
    margin: float | None = None,
    one_sided: bool = False,
    confidence: float = 0.95,
) -> list[pd.DataFrame]:
    """Contrasts and slopes that the formula asks for, one table a family.

    Every factor: all pairs of levels; two crossed factors: pairs of the first
    within each level of the second; every covariate: its slope, by level of a
    factor that it interacts with. Holm's adjustment is within the family.
    """
    out = []
    levels = fit.design.levels
    sloped: dict[str, list[str]] = {c: [] for c in fit.design.centres}
    for term in fit.design.terms:
        columns = dict.fromkeys(c for part in term.covariates for c in fit.design.sources[part])
        if term.factors and len(columns) == 1:
            column, by = next(iter(columns)), ":".join(term.factors)
            sloped[column] += [] if by in sloped[column] else [by]
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
            )
        )
    for covariate, factors in sloped.items():
        for factor in factors or [""]:
            out.append(slopes(fit, covariate, factor=factor, at=at, confidence=confidence))
    held = {**held_values(fit.design), **(at or {})}
    stated = [
        blank_outside(fit.design, t, held, ("level_a", "level_b"))
        if (t["covariate"] == "").all()
        else t
        for t in out
    ]
    return [_determined(table) for table in stated if len(table)]


def _determined(table: pd.DataFrame) -> pd.DataFrame:
    """Leave out what the data do not determine; Holm counts the rest."""
    if np.isfinite(table["estimate"]).all():
        return table
    known = table.loc[np.isfinite(table["estimate"])].copy()
    known["p_holm"] = holm(known["p"])
    known["shown"] = (known["p_holm"] < 1 - known["confidence"]).astype("boolean")
    return pd.DataFrame(known)


def _state(
    spec: ModelSpec, fit: MixedFit, response: str, confidence: float, limits: bool, where: str
) -> _One:
    tests = fit.tests()
    terms = fit.coefficients(confidence=confidence)
    held = {**held_values(fit.design), **dict(spec.at)}
    means = [
        marginal_means(fit, ":".join(t.factors), at=held, confidence=confidence)
        for t in fit.design.terms
        if t.factors and not t.covariates
    ]
    means = [blank_outside(fit.design, table, held, ("level",)) for table in means]
    families = contrast_tables(
        fit,
        at=held,
        margin=spec.equivalence_margin,
        one_sided=spec.non_inferiority,
        confidence=confidence,
    )
    compared = _stack(families)
    if len(compared):
        compared["verdict"] = [
            contrast_verdict(
                row,
                response=response,
                method=fit.method,
                confidence=confidence,
                one_sided=spec.non_inferiority,
            )
            for _, row in compared.iterrows()
        ]
    variances = _variances(fit, confidence, limits)
    spread = spread_tests(fit)
    tables = {
        "model_terms": terms.assign(method=fit.method),
        "model_tests": tests.assign(method=fit.method),
        "model_variances": variances,
        "model_means": _stack(means),
        "model_contrasts": compared,
    }
    for table in tables.values():
        table.insert(0, "model_name", spec.name)
        table.insert(1, "response", spec.response)
    missed = lack_of_fit(fit)
    effects = effect_table(fit, spec.response, confidence=confidence)
    if spec.of_these_models:
        effects = model_contrasts(fit, confidence=confidence)
    further = {
        "residuals": _residuals(fit),
        "quantiles": quantiles(fit),
        "spread": spread,
        "influence": _influence(fit),
        "unequal": _unequal(spec, fit, uneven_factor(fit, spread), confidence),
        "covariates": _covariates(fit, held),
        "contrasts_at": _contrasts_at(fit, held, confidence),
        "effects": effects,
        "lines": effect_lines(fit, confidence=confidence).assign(confidence=confidence),
        "classes": missed.classes,
        "lack_of_fit": missed.tests,
        "fits": fit_summary(fit),
        "operators": for_these_operators(spec, fit, held, confidence=confidence),
    }
    apart = float(further["fits"]["engine_difference"].iloc[0])
    differ = [
        Finding(
            Severity.WARNING,
            "engines-differ",
            f"statsmodels finds other numbers, by up to {apart:.1g} of themselves",
            where,
            "report this",
        )
    ]
    for name, table in further.items():
        further[name] = table.assign(model_name=spec.name, response=spec.response)
    return _One(
        tables,
        further,
        [
            *fit_findings(fit, tests, spread, where=where),
            *overlap_findings(fit.design, held, where=where),
            *lack_findings(missed, unit=unit_of(response), where=where),
            *(differ if apart > DIFFERS else []),
        ],
        _sentences(fit, spec.response, tests, compared, variances, held, 1 - confidence),
    )


def _covariates(fit: MixedFit, held: Mapping[str, float]) -> pd.DataFrame:
    """Where every covariate is held, and which values all conditions have."""
    rows = []
    for column in fit.design.centres:
        values = fit.design.data[column].astype(float)
        low, high = common_range(fit, column)
        own = held.get(column, float(values.mean()))
        rows.append((column, own, values.mean(), values.std(), low, high))
    names = ["covariate", "held", "mean", "sd", "common_low", "common_high"]
    return pd.DataFrame(rows, columns=names)


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


def _variances(fit: MixedFit, confidence: float, limits: bool) -> pd.DataFrame:
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


def _residuals(fit: MixedFit) -> pd.DataFrame:
    frame = fit.fitted()
    wanted = ["scan", "model", "condition", "site", "span_mm", "path_mm", "fitted",
              "fitted_fixed", "residual", "residual_scaled"]  # fmt: skip
    return frame[[c for c in wanted if c in frame]].reset_index(drop=True)


def _influence(fit: MixedFit) -> pd.DataFrame:
    """Leave one scan out: change of the first comparison, or slope, or of the mean."""
    if "scan" not in fit.design.data:
        return pd.DataFrame()
    rows, labels = _main_rows(fit)
    return leave_out(fit, rows, labels).rename(columns={"level": "scan"})


def _unequal(spec: ModelSpec, fit: MixedFit, factor: str, confidence: float) -> pd.DataFrame:
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
        )
    except AccstudyError:  # a level without scatter of its own: the finding stays
        return pd.DataFrame()
    table = _stack([t for t in families if not (t["covariate"] != "").any()])
    return table.assign(residual_sd_by=factor)


def _main_rows(fit: MixedFit) -> tuple[np.ndarray, list[str]]:
    design = fit.design
    for factor, levels in design.levels.items():
        if len(levels) < 2:
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
    return np.array([c.row for c in cell_rows(design, (), design.centres)]), ["mean"]


def _sentences(
    fit: MixedFit,
    response: str,
    tests: pd.DataFrame,
    compared: pd.DataFrame,
    variances: pd.DataFrame,
    at: Mapping[str, float],
    alpha: float,
) -> tuple[str, ...]:
    out = []
    for _, row in tests.iterrows():
        out.append(f_sentence(row, response=response, method=fit.method, alpha=alpha))
    if fit.design.centres and len(tests):
        held = ", ".join(f"{c} = {v:.4g}" for c, v in fit.design.centres.items())
        out.append(f"Effects beside covariates are tested at their means: {held}.")
        held = ", ".join(f"{c} = {v:.4g}" for c, v in at.items())
        out.append(f"Means and differences of levels are stated at {held}.")
    for _, row in compared.iterrows():
        out.append(f"{response}, {row['factor'] or 'slope'}, {row['contrast']}: {row['verdict']}.")
    for _, row in variances.iterrows():
        out.append(component_sentence(row, response=response))
    equal = equal_sd_test(fit)
    if equal:
        seen = "differs between" if equal["p"] < alpha else "is not shown to differ between"
        out.append(
            f"{response}: the residual spread {seen} levels of {fit.residual_sd_by} "
            f"(likelihood ratio {equal['statistic']:.3g} on {equal['df']:.0f} degrees of freedom, "
            f"{p_words(equal['p'])})."
        )
    r2 = r_squared(fit)
    out.append(
        f"{response}: the fixed effects explain {100 * r2['marginal']:.0f} % of the variance, with "
        f"the random effects {100 * r2['conditional']:.0f} %."
    )
    return tuple(out)
