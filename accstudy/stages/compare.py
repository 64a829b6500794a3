"""Poses beside the reference that held on the day of the scan, at its temperature."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.stages.references import references_with_scans
from accstudy.study.load import Study
from accstudy.tables import shape

__all__ = [
    "at_reference_temperature",
    "by_reference",
    "deviations",
    "temperature_factors",
    "with_factors",
]


def by_reference(study: Study, poses: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Part poses by the reference that held for them.

    Parameters
    ----------
    study : Study
        The study.
    poses : DataFrame
        Table ``poses``.

    Yields
    ------
    poses, reference : DataFrame
        Poses of scans of one model, and the rows of table ``implants`` that
        held on their days.
    """
    for reference, scans in references_with_scans(study):
        mine = poses[poses["scan"].isin(scans)]
        if len(mine):
            yield mine, reference


def deviations(study: Study, poses: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compare every scan with the reference that held on its day.

    Parameters
    ----------
    study : Study
        The study.
    poses : DataFrame
        Table ``poses``, at the reference's temperature.

    Returns
    -------
    pairs, singles : DataFrame
        Tables ``pair_deviations`` and ``implant_deviations`` with the scans'
        factor columns, in the order of the scan list.
    """
    datum = study.settings.analysis.datum
    pairs, singles = [], []
    for mine, reference in by_reference(study, poses):
        pairs.append(pair_deviations(mine, reference))
        singles.append(implant_deviations(mine, reference, datum=datum))
    return (
        with_factors("pair_deviations", pairs, study),
        with_factors("implant_deviations", singles, study),
    )


def temperature_factors(study: Study) -> pd.Series:
    """Factors that bring lengths of scans to the temperature of the reference.

    Parameters
    ----------
    study : Study
        Gives the expansion of the model and the temperatures; column
        ``temperature_c`` of the scan list counts before ``scans.temperature_c``.

    Returns
    -------
    Series
        By scan; 1 where temperature or expansion are not known.
    """
    scans = study.scans.set_index("scan")
    everywhere = study.settings.scans.temperature_c
    at = pd.Series(np.nan if everywhere is None else everywhere, index=scans.index, dtype=float)
    if "temperature_c" in scans and pd.api.types.is_numeric_dtype(scans["temperature_c"]):
        at = scans["temperature_c"].astype(float).fillna(at)
    warmer = (at - study.settings.reference.temperature_c).fillna(0.0)
    return 1.0 / (1.0 + (study.settings.scans.expansion_per_k or 0.0) * warmer)


def at_reference_temperature(study: Study, poses: pd.DataFrame) -> pd.DataFrame:
    """Bring the lengths of the scans to the temperature of the reference.

    Parameters
    ----------
    study : Study
        The study; see `temperature_factors`.
    poses : DataFrame
        Table ``poses``.

    Returns
    -------
    DataFrame
        The same table where temperature or expansion are not known.
    """
    if not study.settings.scans.expansion_per_k:
        return poses
    factor = poses["scan"].map(temperature_factors(study)).to_numpy(float)
    out = poses.copy()
    out[["x_mm", "y_mm", "z_mm"]] = poses[["x_mm", "y_mm", "z_mm"]].mul(factor, axis=0)
    return out


def with_factors(name: str, frames: list[pd.DataFrame], study: Study) -> pd.DataFrame:
    """Join tables of several models, add the scans' factors, in the order of the scan list."""
    frame = pd.concat(frames, ignore_index=True) if frames else shape(name, pd.DataFrame())
    columns = ["scan", "condition", "cell", *study.factors]
    rank = {scan: i for i, scan in enumerate(study.scans["scan"])}
    merged = frame.drop(columns=["condition", "cell"]).merge(
        study.scans[columns], on="scan", how="left", validate="many_to_one"
    )
    order = np.argsort(merged["scan"].map(rank).to_numpy(), kind="stable")
    return shape(name, merged.iloc[order], factors=study.factors)
