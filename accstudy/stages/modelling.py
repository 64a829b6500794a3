"""The mixed models of a study: which are asked, and what they say."""

from __future__ import annotations

import pandas as pd

from accstudy.errors import Finding
from accstudy.models.between import effect_notes
from accstudy.models.results import FURTHER, model_tables
from accstudy.models.specs import ModelSpec, default_specs, effect_specs
from accstudy.models.unreferenced import needs_no_reference, unreferenced
from accstudy.study.load import Study

__all__ = ["mixed_models", "model_specs"]


def model_specs(study: Study, pairs: pd.DataFrame) -> list[ModelSpec]:
    """Models of study.toml or, in a comparison without any, the usual ones.

    A comparison also gets the models that the effect of angulation and implant count needs.

    Parameters
    ----------
    study : Study
        The study.
    pairs : DataFrame
        Table ``pair_deviations``.

    Returns
    -------
    list of ModelSpec
        Without a reference those whose responses need none.

    Raises
    ------
    InputError
        If a model of study.toml needs a reference and there is none.
    """
    settings = study.settings
    asked = [ModelSpec(**dict(model)) for model in settings.model]
    if not study.referenced:
        asked = [unreferenced(s) for s in asked]
    if settings.study.kind != "comparison":
        return asked
    condition = settings.analysis.condition or ()
    if asked:
        usual = effect_specs(asked, study.factors, condition=condition, pairs=pairs)
    else:
        usual = default_specs("comparison", study.factors, condition=condition, pairs=pairs)
    if not study.referenced:
        if asked:
            usual += default_specs("comparison", study.factors, condition=condition, pairs=pairs)
        known = {s.response for s in asked}
        usual = [
            unreferenced(s)
            for s in usual
            if needs_no_reference(s.response) and s.response not in known
        ]
        if asked:  # beside what is asked only whether one condition scatters more
            usual = [s for s in usual if s.response == "spread(pair.distance_um)"][:1]
    return asked + usual


def mixed_models(
    study: Study, pairs: pd.DataFrame, singles: pd.DataFrame
) -> tuple[dict[str, pd.DataFrame], tuple[Finding, ...]]:
    """Fit the models of a study.

    Parameters
    ----------
    study : Study
        The study.
    pairs, singles : DataFrame
        Tables ``pair_deviations`` and ``implant_deviations``.

    Returns
    -------
    tables : dict
        The tables whose names begin with ``model_``.
    findings : tuple of Finding
        What the user should know of the models.
    """
    specs = model_specs(study, pairs)
    if not specs:
        return {}, ()
    found = model_tables(
        specs,
        pairs,
        singles,
        confidence=study.settings.limits.confidence,
        alignment=study.settings.analysis.alignment,
    )
    tables = {
        "model_terms": found.terms,
        "model_tests": found.tests,
        "model_variances": found.variances,
        "model_means": found.means,
        "model_contrasts": found.contrasts,
    }
    if study.settings.study.kind == "comparison" and study.referenced:
        tables["model_effect_notes"] = effect_notes(pairs)
    tables |= {f"model_{name}": found.further[name] for name in FURTHER}
    return tables, found.findings
