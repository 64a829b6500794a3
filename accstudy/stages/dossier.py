"""The dossier of the reference: its tables, and what they say."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.accuracy.dossier import reference_changes, reference_pairs
from accstudy.errors import Finding, Severity
from accstudy.stages.references import temperature_tolerance_k
from accstudy.study.load import Study
from accstudy.words.catalogue import say

__all__ = ["dossier", "references_that_differ"]

_LARGE_UM = 5.0
"""Scatter of a distance between runs that deserves a word: common practice without a source."""


def dossier(study: Study) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """Tables on the reference of a study.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tables : dict of str to DataFrame
        ``reference_pairs``; ``reference_runs``, ``reference_run_implants`` and
        ``reference_changes`` where a model was measured several times or again.
    findings : list of Finding
        References that do not agree with the one before, and runs that scatter much.
    """
    settings = study.settings
    mpe = settings.reference.mpe_um
    constant, per_metre = (mpe.constant, mpe.per_metre) if mpe else (None, 0.0)
    pairs = reference_pairs(
        study.implants,
        mpe_constant_um=constant,
        mpe_per_metre_um=per_metre,
        expansion_per_k=settings.scans.expansion_per_k or 0.0,
        temperature_tolerance_k=temperature_tolerance_k(study),
        runs=study.runs.pairs,
    )
    changes = reference_changes(
        study.implants,
        mpe_constant_um=constant,
        mpe_per_metre_um=per_metre,
        runs=study.runs.pairs,
    )
    tables = {"reference_pairs": pairs}
    if len(study.runs.pairs):
        tables["reference_runs"] = study.runs.pairs
        tables["reference_run_implants"] = study.runs.implants
    if len(changes):
        tables["reference_changes"] = changes
    return tables, [*references_that_differ(changes), *_scatter(pairs)]


def _scatter(pairs: pd.DataFrame) -> list[Finding]:
    """Warn of runs that scatter more than a measuring machine should."""
    found = []
    for model, mine in pairs.groupby("model", sort=False):
        s = mine["s_runs_um"].astype(float)
        if not (s.max() > _LARGE_UM):
            continue
        worst = mine.iloc[int(np.nanargmax(s))]
        what = say(
            "findings.the_reference_runs_of",
            model=model,
            s=s.max(),
            implant_a=worst["implant_a"],
            implant_b=worst["implant_b"],
        )
        mend = say("findings.see_reference_runs_csv")
        found.append(Finding(Severity.WARNING, "reference-scatter", what, "reference", mend))
    return found


def references_that_differ(references: pd.DataFrame) -> list[Finding]:
    """Warn of references that do not agree with the one before, by table ``reference_changes``."""
    out: list[Finding] = []
    if not len(references):
        return out
    for (model, _), mine in references.groupby(["model", "valid_from"], sort=True):
        apart = mine[mine["verdict"] == "differs"]
        unknown = bool((mine["verdict"] == "uncertainty unknown").any())
        if not len(apart) and not unknown:
            continue
        day = mine["valid_from"].iloc[0]
        worst = mine.iloc[int(mine["difference_um"].abs().to_numpy().argmax())]
        what = say(
            "findings.the_reference_of_model",
            model=model,
            day=day,
            difference_um=worst["difference_um"],
            implant_a=worst["implant_a"],
            implant_b=worst["implant_b"],
        )
        if len(apart):
            e_n = float(apart["e_n"].abs().max())
            what += f", more than the two uncertainties explain (E_n up to {e_n:.1f})"
        else:
            what += "; without a stated uncertainty their agreement cannot be assessed"
        out.append(
            Finding(
                Severity.WARNING,
                "reference-changed" if len(apart) else "reference-uncertainty",
                what,
                "reference",
                say("findings.find_out_which_of"),
            )
        )
    return out
