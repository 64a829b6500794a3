"""The references of a study: which holds for which scans, how well it is known, its dossier."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from accstudy.accuracy.dossier import reference_changes, reference_pairs
from accstudy.accuracy.pairbudget import SeatingOfBodies, seating_from_data
from accstudy.accuracy.reference_uncertainty import shared_uncertainty
from accstudy.compare.arch import arch_of
from accstudy.errors import Finding, Severity
from accstudy.locate.arrangement import Lines, own_mirror_image
from accstudy.study.load import Study, reference_versions
from accstudy.words.catalogue import say

__all__ = [
    "arch_findings",
    "dossier",
    "references_that_differ",
    "references_with_scans",
    "seating_of_bodies",
    "shared_u_of",
    "temperature_tolerance_k",
]


def arch_findings(study: Study) -> list[Finding]:
    """Warn once of every model whose order or handedness its positions do not tell.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    list of Finding
        ``arch-order`` where several orders along the arch are as likely, and
        ``own-mirror-image`` where a mirrored scan would look like a right one.
    """
    found: dict[tuple[str, str], Finding] = {}
    meshes = set(study.scans.loc[study.scans["file"] != "", "scan"])
    for reference, scans in references_with_scans(study):
        model = str(reference["model"].iloc[0])
        ours = study.settings.reference
        file = ours.touch_points or ours.implants
        if not study.referenced:
            file = ours.sketch or "reference/sketch.csv"
        arch = arch_of(reference)
        if arch.rivals:
            found[model, "order"] = Finding(
                Severity.WARNING,
                "arch-order",
                say(
                    "findings.the_implants_of_model",
                    model=model,
                    way=_way(arch.implants),
                    rivals=say("findings.or").join(_way(way) for way in arch.rivals),
                ),
                file,
                say("findings.number_the_implants_along"),
            )
        axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
        points = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        kinds = np.unique(reference["scan_body"].fillna("").astype(str), return_inverse=True)[1]
        lines = Lines(points, axes, kinds.reshape(-1))
        if meshes & set(scans) and len(points) > 2 and own_mirror_image(lines):
            found[model, "mirror"] = Finding(
                Severity.WARNING,
                "own-mirror-image",
                say("findings.the_implants_of_model_2", model=model),
                file,
                say("findings.make_sure_that_no"),
            )
    return list(found.values())


def _way(implants: tuple[str, ...]) -> str:
    return "-".join(implants)


def references_with_scans(study: Study) -> Iterator[tuple[pd.DataFrame, list[str]]]:
    """Reference rows, each with the scans made while they held.

    Parameters
    ----------
    study : Study
        The study; a model that was measured again has several references.

    Yields
    ------
    reference : DataFrame
        Rows of table ``implants`` of one model.
    scans : list of str
        Measurable scans of that model; those without a time belong to the
        oldest reference.
    """
    scans = study.measurable
    for model in dict.fromkeys(scans["model"]):
        mine = scans[scans["model"] == model]
        versions = reference_versions(study.implants, model)
        which = np.zeros(len(mine), int)
        if len(versions) > 1 and "measured_at" in mine:
            since = [at for at, _ in versions]
            at = pd.to_datetime(mine["measured_at"]).fillna(since[0])
            which = np.searchsorted(np.array(since), at.to_numpy(), side="right") - 1
        for number, (_, reference) in enumerate(versions):
            yield reference, mine.loc[which.clip(0) == number, "scan"].tolist()


def seating_of_bodies(study: Study, pairs: pd.DataFrame) -> SeatingOfBodies | None:
    """How well scan bodies come back to their places: entered, or else what the scans show."""
    entered = study.settings.uncertainty.scan_body_seating_um
    if entered:
        return SeatingOfBodies(entered.value, math.inf, entered.source)
    return seating_from_data(pairs)


def shared_u_of(study: Study, pairs: pd.DataFrame) -> pd.DataFrame:
    """Standard uncertainty that all scans of a condition share."""
    settings, body = study.settings, seating_of_bodies(study, pairs)
    mpe = settings.reference.mpe_um
    return shared_uncertainty(
        study.implants,
        pairs,
        mpe_constant_um=mpe.constant if mpe else None,
        mpe_per_metre_um=mpe.per_metre if mpe else 0.0,
        expansion_per_k=settings.scans.expansion_per_k or 0.0,
        temperature_tolerance_k=temperature_tolerance_k(study),
        seating_um=body.u_um if body else None,
        runs=study.runs.pairs,
    )


def temperature_tolerance_k(study: Study) -> float:
    """How far the model's temperature may be off, with all that acts like it.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    float
        Half-width of a rectangular distribution, K: the tolerances of the scans' and of the
        reference's temperature, and that of the expansion over the difference of the two,
        in squares (JCGM 100:2008, 5.1.2). Each acts on a length as the others do.
    """
    given, scans = study.settings.uncertainty, study.settings.scans
    expansion = scans.expansion_per_k or 0.0
    of_expansion = 0.0
    if expansion:
        at = scans.temperature_c
        if "temperature_c" in study.scans and study.scans["temperature_c"].notna().any():
            at = float(study.scans["temperature_c"].astype(float).mean())
        off = (at if at is not None else 20.0) - study.settings.reference.temperature_c
        of_expansion = given.expansion_tolerance_per_k / expansion * off
    return math.hypot(
        given.temperature_tolerance_k, given.reference_temperature_tolerance_k, of_expansion
    )


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
