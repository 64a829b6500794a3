"""Without a reference: one scan to hold the others against, and the user's sketch."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from accstudy.errors import Finding, place
from accstudy.study.implants import one_implant, too_many_implants, too_many_rows
from accstudy.study.typed import fault
from accstudy.tables import shape

__all__ = ["SKETCHED", "check_sketch", "provisional_arrangement"]

SKETCHED = ("angulation_deg", "scan_body", "arch_order")
"""Columns of a sketch that are taken over as they are."""

_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]
_SMALLEST_MM, _LARGEST_MM = 4.0, 200.0
"""Width that a model can have (common practice); outside it the unit is wrong."""


def provisional_arrangement(
    poses: pd.DataFrame, sketch: pd.DataFrame, models: Mapping[str, str], *, file: str
) -> tuple[pd.DataFrame, list[Finding]]:
    """Take the scan that lies most like the others of its model (`models`: of every scan that
    counts).

    In the shape of table ``implants`` with ``row``: positions and axes of one scan a model, in its
    own frame. It serves to find slips in the others, and is no result. Found are models without two
    scans, without a complete scan, or of an impossible size.
    """
    found: list[Finding] = []
    parts = []
    mine = poses[poses["scan"].isin(models)]
    mine = mine.assign(model=mine["scan"].map(models).astype(object))
    sound = mine[mine[_POSITION + _AXIS].notna().all(axis=1)].drop_duplicates(["scan", "implant"])
    for model, rows in sound.groupby("model", sort=False):
        where = place(file, int(rows["row"].iloc[0]))
        n = rows["scan"].nunique()
        names = _names(rows, sketch[sketch["model"] == model], n)
        whole = rows[rows["implant"].isin(names)]
        points = whole.pivot_table(index="scan", columns="implant", values=_POSITION).dropna()
        if len(names) < 2 or points.empty:
            what = f'no scan of model "{model}" shows all its implants: {", ".join(names)}'
            hint = "at least one complete scan is needed; name each implant the same in all scans"
            found.append(fault("no-complete-scan", what, where, hint))
            continue
        places = np.stack([points[c][names].to_numpy(float) for c in _POSITION], axis=2)
        first, second = np.triu_indices(len(names), k=1)
        lengths = np.linalg.norm(places[:, first] - places[:, second], axis=2)
        off = np.abs(lengths - np.median(lengths, axis=0)).sum(axis=1)
        scan = points.index[int(np.argmin(off))]
        width = float(lengths[int(np.argmin(off))].max())
        if not _SMALLEST_MM < width < _LARGEST_MM:
            what = f'the implants of model "{model}" are {width:.3g} mm apart at most'
            found.append(fault("wrong-unit", what, where, "give positions in millimetres"))
        one = whole[whole["scan"] == scan].set_index("implant").loc[names].reset_index()
        parts.append(_with_sketch(one, sketch[sketch["model"] == model]))
    if not parts:
        return _shaped(pd.DataFrame()), found
    return _shaped(pd.concat(parts, ignore_index=True)), found


def _names(rows: pd.DataFrame, sketch: pd.DataFrame, n: int) -> list[str]:
    """Implants of a model: those of the sketch, or those that at least half of the scans name."""
    if len(sketch):
        return [str(name) for name in sketch["implant"].unique()]
    counts = rows.groupby("implant", sort=False)["scan"].nunique()
    return [str(name) for name in counts.index[2 * counts >= n]]


def _with_sketch(rows: pd.DataFrame, sketch: pd.DataFrame) -> pd.DataFrame:
    known = sketch.drop_duplicates("implant").set_index("implant")
    for column in SKETCHED:
        if column in known:
            rows = rows.assign(**{column: rows["implant"].map(known[column])})
    return rows


def _shaped(rows: pd.DataFrame) -> pd.DataFrame:
    out = shape("implants", rows)
    row = rows["row"].astype(int).tolist() if len(rows) else []
    return out.assign(row=pd.Series(row, dtype=int))


def check_sketch(sketch: pd.DataFrame, *, file: str) -> list[Finding]:
    """Find implants that a sketch names twice or puts on one place."""
    if long := too_many_rows(sketch, file=file):
        return long
    found = []
    for model, rows in sketch.groupby("model", sort=False):
        if many := too_many_implants(rows, file=file):
            found += many
            continue
        twice = rows[rows["implant"].duplicated()]
        for name, row in zip(twice["implant"], twice["row"], strict=True):
            what = f'implant "{name}" of model "{model}" is listed twice'
            at = place(file, int(row), "implant")
            found.append(fault("duplicate-implant", what, at, "remove one of the rows"))
        points = rows[["x_mm", "y_mm"]].to_numpy(float)
        gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
        for i, j in zip(*np.nonzero(np.triu(gaps < 1.0, k=1)), strict=True):
            a, b = rows["implant"].iloc[i], rows["implant"].iloc[j]
            what = f'implants "{a}" and "{b}" of model "{model}" are at the same position'
            at = place(file, int(rows["row"].iloc[j]), "x_mm")
            found.append(fault("coincident-implants", what, at, "correct the sketch"))
        found += one_implant(rows, file=file)
    return found
