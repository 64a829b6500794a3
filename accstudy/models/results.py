"""All models of a study in one set of tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from accstudy.errors import AccstudyError, Finding, Severity
from accstudy.models.checks import quantiles, spread_tests
from accstudy.models.decisions import DIFFERS, log_base
from accstudy.models.effects import (
    effect_lines,
    effect_table,
    model_contrasts,
)
from accstudy.models.fit import assumed_fit, fit_mixed
from accstudy.models.further import (
    bootstrap_rows,
    contrast_tables,
    contrasts_at,
    covariate_rows,
    influence,
    residual_rows,
    stack,
    unequal_rows,
    variance_rows,
)
from accstudy.models.lack_of_fit import lack_findings, lack_of_fit
from accstudy.models.means import marginal_means
from accstudy.models.mixed import MixedFit
from accstudy.models.overlap import (
    blank_outside,
    held_values,
    overlap_findings,
)
from accstudy.models.responses import model_frame, plain_response
from accstudy.models.second import fit_summary, for_these_operators
from accstudy.models.sentences import contrast_verdict, unit_of
from accstudy.models.specs import ModelSpec
from accstudy.models.unreferenced import not_of_the_unknown, stated_rows
from accstudy.models.usable import design_findings, fit_findings, uneven_factor
from accstudy.tables import empty, shape
from accstudy.words.catalogue import say

__all__ = ["FURTHER", "ModelResults", "model_tables", "planned_fit", "spec_fit"]

FURTHER = (
    "residuals", "quantiles", "spread", "influence", "unequal", "covariates", "contrasts_at",
    "effects", "lines", "classes", "lack_of_fit", "fits", "operators", "bootstrap",
)  # fmt: skip
"""Names of the further tables, which stand as ``model_...`` in the results folder."""


@dataclass(frozen=True)
class ModelResults:
    """All results of the mixed models of a study.

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
        engine), ``operators`` (contrasts with the operators fixed) and ``bootstrap``.
    findings : tuple of Finding
        What the user should know, each with the model it is about.
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
            one = _state(spec, fit, response, confidence, limits and leading, where)
        except AccstudyError as error:
            findings += [
                Finding(Severity.WARNING, "model-left-out", f.what, f.where or where, f.mend)
                for f in error.findings
            ]
            continue
        except Exception as error:  # one model must never take the whole analysis down
            what = say("findings.the_model_failed_with", name=type(error).__name__, error=error)
            findings.append(
                Finding(
                    Severity.WARNING,
                    "model-failed",
                    what,
                    where,
                    say("findings.simplify_the_model_and"),
                )
            )
            continue
        about = [*early, *fit.findings]
        if spec.absorbed:
            about = not_of_the_unknown(fit.design, about, spec.absorbed, where=where)
        findings += [replace(f, where=f.where or where) for f in about]
        findings += one.findings
        done.append(one)
    tables = {
        name: shape(name, stack([one.tables[name] for one in done]))
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
        further={name: stack([one.further[name] for one in done]) for name in FURTHER},
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
    fixed = " + ".join(p for p in (plain_response(spec.fixed), spec.absorbed) if p)
    return fixed, tuple(plain_response(r) for r in spec.random)


def _state(
    spec: ModelSpec, fit: MixedFit, response: str, confidence: float, limits: bool, where: str
) -> _One:
    tests = fit.tests()
    terms = fit.coefficients(confidence=confidence)
    held = {**held_values(fit.design), **dict(spec.at)}
    means = [
        marginal_means(fit, ":".join(t.factors), at=held, confidence=confidence)
        for t in fit.design.terms
        if t.factors and not t.covariates and not spec.absorbed
    ]
    means = [blank_outside(fit.design, table, held, ("level",)) for table in means]
    families = contrast_tables(
        fit,
        at=held,
        margin=spec.equivalence_margin,
        one_sided=spec.non_inferiority,
        confidence=confidence,
        adjust=spec.adjust,
        passed_over=spec.absorbed,
    )
    compared = stack(families)
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
    variances = variance_rows(fit, confidence, limits)
    spread = spread_tests(fit)
    tables = {
        "model_terms": terms.assign(method=fit.method, confidence=confidence),
        "model_tests": tests.assign(method=fit.method),
        "model_variances": variances.assign(confidence=confidence),
        "model_means": _in_unit(stack(means), response, _MEANS).assign(confidence=confidence),
        "model_contrasts": compared,
    }
    if spec.absorbed:
        tables = stated_rows(tables, fit, spec.absorbed)
        tests = tables["model_tests"]
    for table in tables.values():
        table.insert(0, "model_name", spec.name)
        table.insert(1, "response", spec.response)
    missed = lack_of_fit(fit)
    effects = effect_table(fit, spec.response, confidence=confidence)
    if spec.of_these_models:
        effects = model_contrasts(fit, confidence=confidence)
    further = {
        "residuals": residual_rows(fit),
        "quantiles": quantiles(fit),
        "spread": spread,
        "influence": influence(fit, passed_over=spec.absorbed),
        "unequal": unequal_rows(spec, fit, uneven_factor(fit, spread), confidence),
        "covariates": covariate_rows(fit, held),
        "contrasts_at": contrasts_at(fit, held, confidence),
        "effects": effects,
        "lines": effect_lines(fit, confidence=confidence).assign(confidence=confidence),
        "classes": _in_unit(missed.classes, response, _CLASSES),
        "lack_of_fit": missed.tests,
        "fits": fit_summary(fit, spec),
        "bootstrap": bootstrap_rows(fit, spec.bootstrap),
        "operators": for_these_operators(spec, fit, held, confidence=confidence),
    }
    if spec.absorbed:
        further = stated_rows(further, fit, spec.absorbed)
    apart = float(further["fits"][["engine_difference", "engine_gain"]].iloc[0].max())
    differ = [
        Finding(
            Severity.WARNING,
            "engines-differ",
            say("findings.statsmodels_finds_different_estimates", apart=apart),
            where,
            say("findings.report_this"),
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
    )


_MEANS = {"mean": "estimate", "mean_low": "low", "mean_high": "high"}
_CLASSES = {"observed_mean": "observed", "fitted_mean": "fitted"}


def _in_unit(table: pd.DataFrame, response: str, names: dict[str, str]) -> pd.DataFrame:
    """Columns in the unit of the data beside those of the response; of a log taken back."""
    base = log_base(response)
    known = {new: table[old].astype(float) for new, old in names.items() if old in table}
    return table.assign(**{new: v if base is None else base**v for new, v in known.items()})
