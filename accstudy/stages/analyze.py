"""Poses to every result table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.accuracy.outliers import outlier_table
from accstudy.accuracy.reference import shared_uncertainty
from accstudy.accuracy.summary import accuracy_table
from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.errors import Finding
from accstudy.study.load import Study, reference_versions
from accstudy.tables import shape

__all__ = ["VERSION", "WRITES", "Analyzed", "analyze_poses", "deviations"]

VERSION = 1
"""Raised when a result changes for the same input."""

WRITES = (
    "implant_deviations",
    "pair_deviations",
    "accuracy",
    "accuracy_with_excluded",
    "outliers",
)
"""Tables of this stage; which of them a study gets depends on its kind."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Analyzed:
    """Every table that follows from the poses.

    Parameters
    ----------
    tables : dict
        Name to DataFrame, in the shape of `accstudy.tables`.
    findings : tuple of Finding
        What the user should know about them.
    """

    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]


def deviations(study: Study, poses: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare every scan with the reference that held on its day.

    Parameters
    ----------
    study : Study
        The study.
    poses : DataFrame
        Table ``poses``.

    Returns
    -------
    pairs, singles : DataFrame
        Tables ``pair_deviations`` and ``implant_deviations`` with the scans'
        factor columns, in the order of the scan list.

    Notes
    -----
    Lengths of the scans are brought to the temperature of the reference with
    the model's expansion, if both are known: column ``temperature_c`` of the
    scan list counts before ``scans.temperature_c``.
    """
    scans = study.measurable
    placed = _at_reference_temperature(study, poses)
    pairs, singles = [], []
    for model in dict.fromkeys(scans["model"]):
        versions = reference_versions(study.implants, model)
        for number, (_, reference) in enumerate(versions):
            names = _scans_of_version(scans, model, versions, number)
            mine = placed[placed["scan"].isin(names)]
            if mine.empty:
                continue
            datum = tuple(
                d for d in study.settings.analysis.datum if d in set(reference["implant"])
            )
            pairs.append(pair_deviations(mine, reference))
            singles.append(implant_deviations(mine, reference, datum=datum))
    return (
        _with_factors("pair_deviations", pairs, study),
        _with_factors("implant_deviations", singles, study),
    )


def _scans_of_version(
    scans: pd.DataFrame,
    model: str,
    versions: list[tuple[pd.Timestamp, pd.DataFrame]],
    number: int,
) -> set[str]:
    mine = scans[scans["model"] == model]
    if len(versions) == 1 or "measured_at" not in mine:
        return set(mine["scan"]) if number == 0 else set()
    since = [at for at, _ in versions]
    at = pd.to_datetime(mine["measured_at"]).fillna(since[0])
    which = np.clip(np.searchsorted(np.array(since), at.to_numpy(), side="right") - 1, 0, None)
    return set(mine.loc[which == number, "scan"])


def _at_reference_temperature(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    expansion = study.settings.scans.expansion_per_k
    if not expansion:
        return poses
    scans = study.scans.set_index("scan")
    everywhere = study.settings.scans.temperature_c
    at = pd.Series(np.nan if everywhere is None else everywhere, index=scans.index, dtype=float)
    if "temperature_c" in scans and pd.api.types.is_numeric_dtype(scans["temperature_c"]):
        at = scans["temperature_c"].astype(float).fillna(at)
    warmer = (at - study.settings.reference.temperature_c).fillna(0.0)
    factor = 1.0 / (1.0 + expansion * poses["scan"].map(warmer).to_numpy(float))
    out = poses.copy()
    out[["x_mm", "y_mm", "z_mm"]] = poses[["x_mm", "y_mm", "z_mm"]].mul(factor, axis=0)
    return out


def _with_factors(name: str, frames: list[pd.DataFrame], study: Study) -> pd.DataFrame:
    frame = pd.concat(frames, ignore_index=True) if frames else shape(name, pd.DataFrame())
    columns = ["scan", "condition", "cell", *study.factors]
    rank = {scan: i for i, scan in enumerate(study.scans["scan"])}
    merged = frame.drop(columns=["condition", "cell"]).merge(
        study.scans[columns], on="scan", how="left", validate="many_to_one"
    )
    order = np.argsort(merged["scan"].map(rank).to_numpy(), kind="stable")
    return shape(name, merged.iloc[order], factors=study.factors)


def analyze_poses(study: Study, poses: pd.DataFrame, *, say: Say = lambda line: None) -> Analyzed:
    """Compute every result table from the poses.

    Parameters
    ----------
    study : Study
        The study.
    poses : DataFrame
        Table ``poses`` as it stands in the file.
    say : callable
        Gets a line for what takes long.

    Returns
    -------
    Analyzed
    """
    findings: list[Finding] = []
    every_pair, every_single = deviations(study, poses)
    kept = set(study.usable["scan"])
    pairs = every_pair[every_pair["scan"].isin(kept)].reset_index(drop=True)
    singles = every_single[every_single["scan"].isin(kept)].reset_index(drop=True)
    tables = {"pair_deviations": pairs, "implant_deviations": singles}
    tables |= _accuracy(study, pairs, singles)
    if len(every_pair) > len(pairs):
        tables["accuracy_with_excluded"] = _accuracy(study, every_pair, every_single)["accuracy"]
    return Analyzed(tables, tuple(findings))


def _accuracy(study: Study, pairs: pd.DataFrame, singles: pd.DataFrame) -> dict[str, pd.DataFrame]:
    settings = study.settings
    mpe = settings.reference.mpe_um
    shared = shared_uncertainty(
        study.implants,
        pairs,
        mpe_constant_um=mpe.constant if mpe else None,
        mpe_per_metre_um=mpe.per_metre if mpe else 0.0,
        expansion_per_k=settings.scans.expansion_per_k or 0.0,
        temperature_tolerance_k=settings.uncertainty.temperature_tolerance_k,
    )
    alignment = settings.analysis.alignment
    return {
        "accuracy": accuracy_table(
            pairs,
            singles,
            reference_u=shared,
            alignment=alignment,
            confidence=settings.limits.confidence,
        ),
        "outliers": outlier_table(pairs, singles, alignment=alignment),
    }
