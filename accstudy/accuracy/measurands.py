"""From deviation tables to layouts: one layout per condition, model and subject."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = [
    "IMPLANT_MEASURANDS",
    "PAIR_MEASURANDS",
    "Results",
    "implant_results",
    "lowest",
    "natural",
    "pair_names",
    "pair_results",
    "results",
]

PAIR_MEASURANDS = ("distance_um", "angle_deg")
"""Signed measurands of a pair."""

IMPLANT_MEASURANDS = (
    "mesiodistal_um",
    "buccolingual_um",
    "vertical_um",
    "tilt_mesiodistal_deg",
    "tilt_buccolingual_deg",
    "rotation_deg",
)
"""Signed measurands of an implant; lengths of deviations are not among them."""

KEYS = ["condition", "model", "measurand", "unit", "subject", "span_mm", "path_mm", "lowest"]


@dataclass(frozen=True)
class Results:
    """Results of a study, ready for layouts.

    Parameters
    ----------
    keys : DataFrame, G rows
        ``condition``, ``model``, ``measurand``, ``unit``, ``subject``, ``span_mm``,
        ``path_mm``, ``lowest`` of each layout, in a stable order.
    group : ndarray of int, shape (N,)
        Layout of each result.
    cell : ndarray of int, shape (N,)
        Cell of each result, an index into `cell_names`.
    scan : ndarray of int, shape (N,)
        Scan of each result, an index into `scan_names`.
    value : ndarray, shape (N,)
        Deviations, measured minus reference, in the unit of the key.
    cell_names, scan_names : ndarray of object
        Labels.
    """

    keys: pd.DataFrame
    group: npt.NDArray[np.int64]
    cell: npt.NDArray[np.int64]
    scan: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    cell_names: npt.NDArray[np.object_]
    scan_names: npt.NDArray[np.object_]

    def only(self, chosen: npt.NDArray[np.bool_]) -> Results:
        """The layouts that `chosen` (shape (G,)) picks, renumbered."""
        number = np.cumsum(chosen) - 1
        kept = chosen[self.group]
        return Results(
            keys=self.keys[chosen].reset_index(drop=True),
            group=number[self.group[kept]],
            cell=self.cell[kept],
            scan=self.scan[kept],
            value=self.value[kept],
            cell_names=self.cell_names,
            scan_names=self.scan_names,
        )


def pair_names(frame: pd.DataFrame) -> pd.Series:
    """Names of the pairs ``implant_a`` and ``implant_b``, as tables call them."""
    return frame["implant_a"].astype(str) + "-" + frame["implant_b"].astype(str)


def lowest(frame: pd.DataFrame, measurand: str) -> pd.Series:
    """Smallest deviation there can be: an angle between axes is never negative."""
    if measurand == "angle_deg" and "divergence_deg" in frame:
        return -frame["divergence_deg"].astype(float)
    return pd.Series(-np.inf, frame.index)


def pair_results(pair_deviations: pd.DataFrame) -> pd.DataFrame:
    """Long form of table ``pair_deviations``, one row a result, missing ones left out.

    ``condition``, ``model``, ``measurand``, ``unit``, ``subject``, ``span_mm``, ``path_mm``,
    ``lowest``, ``scan``, ``cell``, ``value``.
    """
    table = pair_deviations.assign(subject=pair_names(pair_deviations))
    return _long(table, PAIR_MEASURANDS)


def implant_results(
    implant_deviations: pd.DataFrame, *, alignment: str = "all-implants"
) -> pd.DataFrame:
    """Long form of table ``implant_deviations`` under one alignment, as `pair_results`, without
    lengths.
    """
    table = implant_deviations[implant_deviations["alignment"] == alignment]
    return _long(
        table.assign(subject=table["implant"].astype(str), span_mm=np.nan, path_mm=np.nan),
        IMPLANT_MEASURANDS,
    )


def _long(table: pd.DataFrame, measurands: Collection[str]) -> pd.DataFrame:
    parts: list[pd.DataFrame] = []
    for measurand in measurands:
        if measurand not in table:
            continue
        part = pd.DataFrame(
            {
                "condition": table["condition"],
                "model": table["model"],
                "measurand": measurand,
                "unit": measurand.rsplit("_", 1)[1],
                "subject": table["subject"],
                "span_mm": table["span_mm"].astype(float),
                "path_mm": table["path_mm"].astype(float),
                "lowest": lowest(table, measurand),
                "scan": table["scan"],
                "cell": table["cell"],
                "value": pd.to_numeric(table[measurand]).astype(float),
            }
        )
        parts.append(pd.DataFrame(part[np.isfinite(part["value"])]))
    columns = [*KEYS, "scan", "cell", "value"]
    if not parts:
        return pd.DataFrame({c: pd.Series(dtype=object) for c in columns})
    return pd.concat(parts, ignore_index=True)


def results(long: pd.DataFrame) -> Results:
    """Number the layouts, cells and scans of a long table.

    Parameters
    ----------
    long : DataFrame
        As `pair_results` gives.

    Returns
    -------
    Results
        Layouts sorted by condition, model, measurand (pairs before implants,
        lengths before angles) and subject, where 10 comes after 9. Within a
        layout results are sorted by cell, then scan, so that the order of the
        rows changes nothing, not even the last digit.
    """
    order = [*PAIR_MEASURANDS, *IMPLANT_MEASURANDS]
    subjects = {s: i for i, s in enumerate(sorted(long["subject"].unique(), key=natural))}
    cell_code, cell_names = pd.factorize(long["cell"].astype(str), sort=True)
    scan_code, scan_names = pd.factorize(long["scan"].astype(str), sort=True)
    code = pd.DataFrame(
        {
            "condition": pd.factorize(long["condition"].astype(str), sort=True)[0],
            "model": pd.factorize(long["model"].astype(str), sort=True)[0],
            "measurand": long["measurand"]
            .map({m: i for i, m in enumerate(order)})
            .fillna(len(order))
            .to_numpy(),
            "subject": long["subject"].map(subjects).to_numpy(),
        }
    )
    sizes = [int(code[c].max()) + 1 if len(code) else 1 for c in code]
    flat = np.ravel_multi_index(tuple(code[c].to_numpy(dtype=np.int64) for c in code), sizes)
    by = np.lexsort((scan_code, cell_code, flat))
    _, start, group = np.unique(flat[by], return_index=True, return_inverse=True)
    return Results(
        keys=long.iloc[by[start]][KEYS].reset_index(drop=True),
        group=group.astype(np.int64),
        cell=cell_code[by].astype(np.int64),
        scan=scan_code[by].astype(np.int64),
        value=long["value"].to_numpy(dtype=float)[by],
        cell_names=np.asarray(cell_names, dtype=object),
        scan_names=np.asarray(scan_names, dtype=object),
    )


def natural(name: str) -> tuple[tuple[bool, int, str], ...]:
    """Sort key under which digits count as numbers.

    Examples
    --------
    >>> sorted(["I10-I2", "I2-I10", "I2-I9"], key=natural)
    ['I2-I9', 'I2-I10', 'I10-I2']
    """
    parts = re.split(r"(\d+)", str(name))
    return tuple((not p.isdigit(), int(p) if p.isdigit() else 0, p) for p in parts if p)
