"""The mixed models of a study: which are fitted, whether its scans suffice, and the results.

Whether they can is asked before any scan is measured. What models need is slow to import, and few
studies name any: it is imported where it is used.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import Finding, InputError, Severity, StudyError, place
from accstudy.stages.references import deviations, references_with_scans
from accstudy.study.checks import grouped_by
from accstudy.study.load import Study
from accstudy.study.toml import key_row
from accstudy.tables import shape
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.specs import ModelSpec


def model_specs(study: Study, pairs: pd.DataFrame) -> list[ModelSpec]:
    """Models of study.toml or, in a comparison without any, the usual ones.

    A comparison also gets the models that the effect of angulation and implant count needs. Without
    a reference those whose responses need none; `InputError` if one of study.toml does.
    """
    from accstudy.models.responses import needs_no_reference, unreferenced
    from accstudy.models.specs import ModelSpec, default_specs, effect_specs

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
    """Fit the models of a study: tables whose names begin with ``model_``, and findings.

    A comparison says even without a model which of its factors cannot be told apart.
    """
    specs, comparison = model_specs(study, pairs), study.settings.study.kind == "comparison"
    if not specs and not comparison:
        return {}, ()
    from accstudy.models.grouping import confounded, effect_notes
    from accstudy.models.results import FURTHER, model_tables

    condition, cell = grouped_by(study.settings, study.factors)
    random = [term for spec in specs for term in spec.random]
    apart = confounded(pairs, condition=condition, cell=cell, random=random)
    if not specs:
        return {"model_confounding": apart}, ()
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
        "model_confounding": apart,
    }
    if comparison and study.referenced:
        tables["model_effect_notes"] = effect_notes(pairs)
    tables |= {f"model_{name}": found.further[name] for name in FURTHER}
    return tables, found.findings


_JITTER_MM, _JITTER = 0.02, 0.002


def model_faults(study: Study) -> list[Finding]:
    """Read the models of study.toml against the scans that are listed.

    Every scan is taken to lie on its reference but for a little noise, and the models are built by
    the code that will fit them: what that refuses is refused here. Errors for unknown columns and
    formulas that cannot be, each with its place and the nearest name; warnings for effects that the
    scans do not tell apart.
    """
    found = _named_twice(study)
    if not study.settings.model or study.usable.empty:
        return found
    from accstudy.models.specs import ModelSpec, spec_faults

    pairs, singles = deviations(study, _on_the_reference(study))
    kept = set(study.usable["scan"])
    pairs, singles = (t[t["scan"].isin(kept)].reset_index(drop=True) for t in (pairs, singles))
    for number, settings in enumerate(study.settings.model):
        spec = ModelSpec(**dict(settings))
        alignment = study.settings.analysis.alignment
        faults = spec_faults(spec, pairs, singles, alignment=alignment)
        if not study.referenced:
            faults += _needs_a_reference(spec)
        for key, fault in faults:
            row = key_row(study.path / "study.toml", ("model", number, key))
            where = place("study.toml", row, f"model.{key}")
            found.append(replace(fault, what=f'model "{spec.name}": {fault.what}', where=where))
    return list(dict.fromkeys(found))


def _needs_a_reference(spec: ModelSpec) -> list[tuple[str, Finding]]:
    """Where there is none: responses that are distances from the truth."""
    from accstudy.models.responses import unreferenced

    try:
        unreferenced(spec)
    except InputError as error:
        return [("response", f) for f in error.findings]
    return []


def _named_twice(study: Study) -> list[Finding]:
    """Models that tables and report could not tell apart."""
    found, seen = [], set()
    for number, model in enumerate(study.settings.model):
        if model.name in seen:
            row = key_row(study.path / "study.toml", ("model", number, "name"))
            found.append(
                Finding(
                    Severity.ERROR,
                    "duplicate-model",
                    say("findings.model_is_named_twice", name=model.name),
                    place("study.toml", row, "model.name"),
                    say("findings.give_every_model_a"),
                )
            )
        seen.add(model.name)
    return found


def refuse_models(study: Study) -> None:
    """Stop a run whose models can never be fitted.

    Raises
    ------
    StudyError
        With every error of `model_faults`.
    """
    faults = [f for f in model_faults(study) if f.severity is Severity.ERROR]
    if faults:
        raise StudyError(faults)


def _on_the_reference(study: Study) -> pd.DataFrame:
    """Poses of every scan as the reference has them, with noise that is always the same."""
    rng = np.random.default_rng(0)
    parts = []
    for reference, scans in references_with_scans(study):
        one = reference.assign(status="ok")
        parts += [one.assign(scan=scan) for scan in scans]
    poses = pd.concat(parts, ignore_index=True)
    for columns, size in ((["x_mm", "y_mm", "z_mm"], _JITTER_MM), (_AXES, _JITTER)):
        poses[columns] += rng.normal(0, size, (len(poses), len(columns)))
    poses[_AXES] /= np.linalg.norm(poses[_AXES].to_numpy(float), axis=1)[:, None]
    return shape("poses", poses)


_AXES = ["axis_x", "axis_y", "axis_z"]
