"""Repeated measurements of a model: the mean is the reference, the scatter its type A part."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatch
from itertools import combinations
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from accstudy.errors import Finding, InputError, fault, place, remark
from accstudy.geometry.rigid import fit_rigid, unit
from accstudy.study.files import Files
from accstudy.study.settings import Reference
from accstudy.tables import empty, shape
from accstudy.words.catalogue import say

Floats = NDArray[np.float64]

_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]
_FLAT = ["flat_x", "flat_y", "flat_z"]
_LEVER_MM = 10.0
_WILD_MM = 0.1
"""Distance of one run from the mean that is no scatter of a measuring machine; common practice."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Repeated measurements of the models of a study; empty where each was measured once.

    Parameters
    ----------
    pairs : DataFrame
        Table ``reference_runs``: every distance in every run.
    implants : DataFrame
        Table ``reference_run_implants``: every implant in every run, beside the mean.
    """

    pairs: pd.DataFrame = field(default_factory=lambda: empty("reference_runs"))
    implants: pd.DataFrame = field(default_factory=lambda: empty("reference_run_implants"))


def mean_of_runs(
    rows: pd.DataFrame, files: Mapping[str, str]
) -> tuple[pd.DataFrame, Runs, list[Finding]]:
    """Make one reference out of the runs of every model.

    `rows` are table ``implants`` at the platforms, checked run by run, with ``run`` and ``row``.
    The result has a row an implant, in the frame of the first run: mean position and axis, and
    ``u_runs_um`` and ``u_runs_deg``, the standard uncertainty of these means. Found are runs that
    lack an implant, are there twice or lie far off, and models with one run only where others have
    several.

    Notes
    -----
    Runs are brought onto their mean by least squares, over two points an implant, so
    that it does not matter whether the machine found its frame anew. That takes six of
    the freedoms of every run, which the standard deviations allow for. Distances need
    no alignment: their scatter holds whatever the implants share (JCGM 100:2008, 5.2).
    """
    means, tables, places, found = [], [], [], list[Finding]()
    since = pd.Series([str(at) for at in rows["valid_from"]], index=rows.index)
    for (model, _), mine in rows.groupby(["model", since], sort=False):
        runs = {str(run): part for run, part in mine.groupby("run", sort=False)}
        first = next(iter(runs.values())).reset_index(drop=True)
        names = first["implant"].tolist()
        faults = _incomplete(str(model), runs, names, files)
        if len(runs) == 1 or faults:
            found += faults
            means.append(first)
            continue
        stacked = [part.set_index("implant").loc[names] for part in runs.values()]
        points = np.stack([part[_POSITION].to_numpy(float) for part in stacked])
        axes = np.stack([unit(part[_AXIS].to_numpy(float)) for part in stacked])
        flats = np.stack([part[_FLAT].to_numpy(float) for part in stacked])
        if not (np.isfinite(points).all() and np.isfinite(axes).all()):
            means.append(first)  # empty cells have faults of their own
            continue
        points, axes, flats = _onto_mean(points, axes, flats)
        found += _far_off(str(model), list(runs), names, points, stacked, files)
        means.append(_mean_rows(first, points, axes, flats))
        tables.append(_run_table(first, list(runs), points))
        places.append(_place_table(first, list(runs), points, axes))
    implants = pd.concat(means, ignore_index=True).drop(columns="run").assign(run="")
    if not tables:
        return implants, Runs(), found
    known = Runs(
        shape("reference_runs", pd.concat(tables, ignore_index=True)),
        shape("reference_run_implants", pd.concat(places, ignore_index=True)),
    )
    return implants, known, found


def _incomplete(
    model: str, runs: Mapping[str, pd.DataFrame], names: list[str], files: Mapping[str, str]
) -> list[Finding]:
    """Runs without some of the implants, or with the same numbers as another."""
    found = []
    seen: dict[bytes, str] = {}
    for run, part in runs.items():
        where = place(files[run], int(part["row"].iloc[0]), "implant")
        odd = sorted(set(part["implant"]) ^ set(names))
        if odd:
            what = f'run "{run}" of model "{model}" and the first run differ in {", ".join(odd)}'
            mend = "every run must measure the same implants"
            found.append(fault("run-incomplete", what, where, mend))
        key = part.sort_values("implant")[_POSITION + _AXIS].to_numpy(float).tobytes()
        if key in seen:
            what = f'run "{run}" of model "{model}" has the same numbers as "{seen[key]}"'
            found.append(fault("same-run-twice", what, where, "remove one of the two"))
        seen.setdefault(key, run)
    return found


def _onto_mean(points: Floats, axes: Floats, flats: Floats) -> tuple[Floats, Floats, Floats]:
    """Align every run to the mean of all; the frame stays that of the first."""
    target = np.concatenate([points[0], points[0] + _LEVER_MM * axes[0]])
    for _ in range(10):
        moved = []
        for k in range(len(points)):
            ends = np.concatenate([points[k], points[k] + _LEVER_MM * axes[k]])
            motion = fit_rigid(ends, target)
            points[k], axes[k] = motion.points(points[k]), motion.vectors(axes[k])
            flats[k] = motion.vectors(flats[k])
            moved.append(motion.points(ends))
        target = np.mean(moved, axis=0)
    return points, axes, flats


def _mean_rows(first: pd.DataFrame, points: Floats, axes: Floats, flats: Floats) -> pd.DataFrame:
    runs, n = points.shape[:2]
    out = first.copy()
    out[_POSITION], mean_axes = points.mean(axis=0), unit(axes.mean(axis=0))
    out[_AXIS], out[_FLAT] = mean_axes, unit(flats.mean(axis=0))
    # the alignment takes 6 of the 3 n freedoms of every run, fewer where axes scatter, too
    kept = max(1.0 - 2.0 / n, 1.0 / 6.0)
    df = 3.0 * (runs - 1) * kept
    around = ((points - points.mean(axis=0)) ** 2).sum(axis=(0, 2))
    off = np.degrees(axes - mean_axes)
    tilts = (off**2).sum(axis=(0, 2))
    out["u_runs_um"] = [of_mean(1000 * math.sqrt(s / df), runs, df) for s in around]
    df_tilt = 2.0 * (runs - 1) * kept
    out["u_runs_deg"] = [of_mean(math.sqrt(s / df_tilt), runs, df_tilt) for s in tilts]
    return out


def _far_off(
    model: str, runs: list[str], names: list[str], points: Floats,
    stacked: list[pd.DataFrame], files: Mapping[str, str],
) -> list[Finding]:  # fmt: skip
    """Implants of a run that no scatter explains: a slip of the pen, or another implant."""
    off = np.linalg.norm(points - np.median(points, axis=0), axis=2)
    if off.max() < _WILD_MM:
        return []
    k, i = np.unravel_index(int(off.argmax()), off.shape)
    what = (
        f'implant "{names[i]}" of model "{model}" is {off[k, i]:.3g} mm off in run "{runs[k]}" '
        "compared with "
        "the other runs"
    )
    where = place(files[runs[k]], int(stacked[k]["row"].iloc[i]), "x_mm")
    return [fault("wild-run", what, where, "correct the row, or leave this run out")]


def _run_table(first: pd.DataFrame, runs: list[str], points: Floats) -> pd.DataFrame:
    """Every distance in every run, beside the mean of the runs."""
    names = first["implant"].tolist()
    parts = []
    for a, b in combinations(range(len(names)), 2):
        distance = np.linalg.norm(points[:, a] - points[:, b], axis=1)
        parts.append(
            pd.DataFrame(
                {
                    "model": first["model"].iloc[0],
                    "valid_from": first["valid_from"].iloc[0],
                    "implant_a": names[a],
                    "implant_b": names[b],
                    "run": runs,
                    "distance_mm": distance,
                    "deviation_um": 1000 * (distance - distance.mean()),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _place_table(
    first: pd.DataFrame, runs: list[str], points: Floats, axes: Floats
) -> pd.DataFrame:
    """Every implant in every run, beside the mean of the runs."""
    moved = 1000 * (points - points.mean(axis=0))
    turned = np.degrees(np.cross(unit(axes.mean(axis=0)), axes))
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "model": first["model"].iloc[0],
                    "valid_from": first["valid_from"].iloc[0],
                    "run": run,
                    "implant": first["implant"],
                    **{f"d{c}_um": moved[k, :, j] for j, c in enumerate("xyz")},
                    **{f"turn_{c}_deg": turned[k, :, j] for j, c in enumerate("xyz")},
                }
            )
            for k, run in enumerate(runs)
        ],
        ignore_index=True,
    )


def note_on_runs(runs: pd.DataFrame) -> list[Finding]:
    """Say how many runs the reference is the mean of."""
    return [
        remark(
            "reference-runs",
            say("findings.the_reference_of_model_2", model=model, run=mine["run"].nunique()),
            "reference",
        )
        for model, mine in (runs.groupby("model", sort=False) if len(runs) else ())
    ]


def reference_files(files: Files, settings: Reference) -> list[str]:
    """Tables of the reference, several where every run has its own; without one the sketch.

    Raises
    ------
    InputError
        If no file has such a name, or the folder lies outside the study.
    """
    if settings.kind == "none":
        return [settings.sketch] if settings.sketch else []
    if not settings.runs:
        return [settings.touch_points or settings.implants]
    pattern = PurePosixPath(settings.runs.replace("\\", "/"))
    folder = files.path(str(pattern.parent))
    names = listed(folder)
    found = [str(pattern.parent / name) for name in names if fnmatch(name, pattern.name)]
    if not found:
        raise InputError(
            f'no file is called "{settings.runs}"', hint="check the name; * matches any characters"
        )
    return found


def listed(folder: Path) -> list[str]:
    """Names of the files of a folder; none where it cannot be looked into."""
    try:
        return sorted(p.name for p in folder.iterdir())
    except OSError:
        return []


def of_mean(sd: float, runs: int, df: float) -> float:
    """Standard uncertainty of a mean of `runs` repeats with standard deviation `sd`.

    From few repeats the standard deviation is itself uncertain; it is widened so that the normal
    factor covers what Student's t would.

    References
    ----------
    JCGM 101:2008, 6.4.9.4: the standard deviation of the scaled and shifted t
    distribution, sqrt(df / (df - 2)). It does not exist for df of 2 or less; there the
    ratio of the 95 % factors of t and of the normal distribution is taken.

    Examples
    --------
    >>> round(of_mean(1.0, 4, 9), 4)  # 0.5 sqrt(9 / 7)
    0.5669
    """
    few = stdtrit(df, 0.975) / stdtrit(1e9, 0.975)
    widened = math.sqrt(df / (df - 2.0)) if df > 2 else float(few)
    return sd / math.sqrt(runs) * widened
