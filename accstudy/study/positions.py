"""Positions supplied by a study, compared with its scan list and reference, or with a scan."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import Finding, Nearest, Severity, fault, place
from accstudy.geometry.rigid import unit
from accstudy.study.implants import check_flats, one_implant, too_many_implants, too_many_rows
from accstudy.study.slips import Positions, Slip, find_slip, nothing_suspicious
from accstudy.study.typed_rows import records
from accstudy.tables import shape
from accstudy.words.catalogue import say

__all__ = [
    "SKETCHED",
    "check_landmarks",
    "check_positions",
    "check_sketch",
    "provisional_arrangement",
]

_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]
_ENOUGH_TO_AGREE = 3
"""Scans that must all show the same slip for it to be the reference's."""


def check_positions(
    poses: pd.DataFrame,
    scans: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    file: str,
    reference: str = "reference/implants.csv",
) -> list[Finding]:
    """Find positions of unknown scans or implants, duplicates, and those far from the reference.

    `poses` is the table as brought by the user, with ``row``; `file` and `reference` are what
    messages call the two files.
    """
    known = {str(m): sorted(set(g["implant"])) for m, g in implants.groupby("model")}
    model_of = {str(k): str(v) for k, v in zip(scans["scan"], scans["model"], strict=True)}
    found = _rows(records(poses), model_of, known, file)
    found += check_flats(poses, file=file)
    sound = poses[poses[_POSITION + _AXIS].notna().all(axis=1)]
    found += _scans_twice(sound, file)
    once = sound.drop_duplicates(["scan", "implant"])
    once = once.assign(model=once["scan"].map(model_of).astype(object))
    found += _missing(once, known, file)
    columns = ["model", "implant", *_POSITION, *_AXIS, "row"]
    there = implants.drop_duplicates(["model", "implant"])[columns]
    both = once.merge(there, on=["model", "implant"], suffixes=("", "_ref"))
    for _, of_model in both.groupby("model", sort=False):
        here, certified = _both_positions(of_model)
        found_rows = of_model.groupby("scan", sort=False).indices
        rows_of = {str(scan): np.asarray(rows) for scan, rows in found_rows.items()}
        plain = _plainly_right(here, certified, rows_of)
        every = {
            scan: None if scan in plain else _one_scan(here.of(i), certified.of(i))
            for scan, i in rows_of.items()
        }
        wrong = {name: every[name] for name in of_model["scan"].unique() if every[name]}
        by_scan = {name: of_model.iloc[rows_of[name]] for name in wrong}
        slips = {scan: slip for scan, slip in wrong.items() if isinstance(slip, Slip)}
        common = _common_slip(slips, by_scan, reference, file) if len(slips) == len(every) else None
        for name, slip in wrong.items():
            if isinstance(slip, list):
                found += _inward(name, by_scan[name], slip, file)
            elif slip is not None and common is None:
                found.append(_slip_finding(f'scan "{name}"', by_scan[name], slip, file))
        found += common or []
    return found


def _rows(
    rows: list[dict[str, Any]],
    model_of: Mapping[str, str],
    known: Mapping[str, list[str]],
    file: str,
) -> list[Finding]:
    found = []
    hint = Nearest(model_of)
    hints = {model: Nearest(names) for model, names in known.items()}
    names = {model: set(names) for model, names in known.items()}
    seen: dict[tuple[str, str], int] = {}
    for row in rows:
        scan, implant, model = row["scan"], row["implant"], row["model"]
        if scan not in model_of:
            what = f'scan "{scan}" is not in the scan list'
            at = place(file, row["row"], "scan")
            found.append(fault("unknown-scan", what, at, hint(scan)))
        elif model != model_of[scan]:
            what = f'scan "{scan}" is of model "{model_of[scan]}", not "{model}"'
            at = place(file, row["row"], "model")
            found.append(fault("model-differs", what, at, "name the same model in both tables"))
        elif model in known and implant not in names[model]:
            what = f'model "{model}" has no implant "{implant}" in the reference'
            at = place(file, row["row"], "implant")
            found.append(fault("unknown-implant", what, at, hints[model](implant)))
        if (scan, implant) in seen:
            what = f'scan "{scan}" lists implant "{implant}" twice, first in row ' + str(
                seen[scan, implant]
            )
            at = place(file, row["row"], "implant")
            found.append(fault("duplicate-implant", what, at, "remove one of the two rows"))
        seen.setdefault((scan, implant), row["row"])
        norm = math.sqrt(sum(row[c] * row[c] for c in _AXIS))
        if abs(norm - 1) > 0.01:
            at = place(file, row["row"], "axis_x")
            mend = "give a unit vector that points out of the bone"
            found.append(fault("axis-length", f"the axis has length {norm:.4g}, not 1", at, mend))
    return found


def check_landmarks(
    landmarks: pd.DataFrame, scans: pd.DataFrame, implants: pd.DataFrame, *, file: str
) -> list[Finding]:
    """Find landmarks of no scan, of no implant, or doubled."""
    model_of = {str(k): str(v) for k, v in zip(scans["scan"], scans["model"], strict=True)}
    known = {str(m): sorted(set(g["implant"])) for m, g in implants.groupby("model")}
    rows = [{**r, "model": model_of.get(r["scan"], "")} for r in records(landmarks)]
    unmeasured = {**dict.fromkeys(_AXIS, 0.0), "axis_z": 1.0}
    return _rows([{**r, **unmeasured} for r in rows], model_of, known, file)


def _scans_twice(poses: pd.DataFrame, file: str) -> list[Finding]:
    """Two scans whose positions are the same to the last digit."""
    found = []
    first: dict[bytes, str] = {}
    numbers = poses[_POSITION + _AXIS].to_numpy(float)
    names, row = pd.factorize(poses["implant"], sort=True)[0], poses["row"].to_numpy()
    rows_of = poses.groupby("scan", sort=False).indices
    for scan in poses["scan"].unique():
        rows = rows_of[scan]
        if len(rows) < 2:
            continue
        key = numbers[rows[np.argsort(names[rows], kind="stable")]].tobytes()
        if key in first:
            what = f'scan "{scan}" has exactly the same positions as "{first[key]}"'
            where = place(file, int(row[rows[0]]), "scan")
            mend = "a repeat must be a new scan; remove one of the two"
            found.append(fault("same-scan-twice", what, where, mend))
        first.setdefault(key, str(scan))
    return found


def _missing(poses: pd.DataFrame, known: Mapping[str, list[str]], file: str) -> list[Finding]:
    """Implants of the model of which a scan gives no position."""
    given: dict[str, set[str]] = {}
    first: dict[str, tuple[str, int]] = {}
    for scan, model, implant, row in zip(
        poses["scan"], poses["model"], poses["implant"], poses["row"], strict=True
    ):
        given.setdefault(scan, set()).add(implant)
        first.setdefault(scan, (model, row))
    found = []
    for scan, (model, row) in first.items():
        missing = [name for name in known.get(model, []) if name not in given[scan]]
        if missing:
            what = say("findings.scan_gives_no_position", scan=scan, missing=", ".join(missing))
            where = place(file, int(row), "implant")
            mend = say("findings.add_the_row_otherwise")
            found.append(Finding(Severity.WARNING, "missing-implant", what, where, mend))
    return found


def _both_positions(both: pd.DataFrame) -> tuple[Positions, Positions]:
    """Positions of all scans of a model, and the reference beside each."""
    columns = (_POSITION, _AXIS, [f"{c}_ref" for c in _POSITION], [f"{c}_ref" for c in _AXIS])
    points, axes, true_points, true_axes = (both[c].to_numpy(float) for c in columns)
    return Positions(points, unit(axes)), Positions(true_points, unit(true_axes))


def _one_scan(here: Positions, there: Positions) -> Slip | list[int] | None:
    """What is wrong with one scan's positions as a whole, beside those of the reference.

    A list names the rows whose axes are turned round against most of the others.
    """
    if len(here.axes) < 2:
        return None
    turned = np.flatnonzero(_against_the_others(here.axes, there.axes))
    return [int(i) for i in turned] if turned.size else find_slip(here, there)


def _plainly_right(
    here: Positions, there: Positions, rows_of: Mapping[str, NDArray[np.intp]]
) -> set[str]:
    """Scans in which `_one_scan` finds nothing wrong, told for all scans of a size at once."""
    sizes: dict[int, list[str]] = {}
    for scan, rows in rows_of.items():
        sizes.setdefault(len(rows), []).append(scan)
    right: set[str] = set()
    for size, scans in sizes.items():
        rows = np.array([rows_of[scan] for scan in scans])
        if size > 1:
            good = nothing_suspicious(here.of(rows), there.of(rows))
            apart = np.abs(_angles(here.axes[rows]) - _angles(there.axes[rows]))
            good &= ~(apart > 90.0).any(axis=(1, 2))
            right |= {scan for scan, fine in zip(scans, good, strict=True) if fine}
    return right


def _against_the_others(
    axes: NDArray[np.float64], true_axes: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Axes that are turned round against most of the others, as the reference has them."""
    turned = np.abs(_angles(axes) - _angles(true_axes)) > 90.0
    count = turned.sum(axis=1)
    most: NDArray[np.bool_] = count > (len(axes) - 1) / 2
    if len(axes) == 2:  # which of the two is wrong cannot be told: name the second
        most = most & np.array([False, True])
    return most


def _angles(axes: NDArray[np.float64]) -> NDArray[np.float64]:
    cross = np.linalg.norm(np.cross(axes[..., :, None, :], axes[..., None, :, :]), axis=-1)
    angles: NDArray[np.float64] = np.degrees(np.arctan2(cross, axes @ np.swapaxes(axes, -1, -2)))
    return angles


def _inward(scan: str, both: pd.DataFrame, turned: list[int], file: str) -> list[Finding]:
    return [
        fault(
            "inward-axis",
            f'the axis of "{both["implant"].iloc[i]}" points against the others of "{scan}"',
            place(file, int(both["row"].iloc[i]), "axis_x"),
            "axes point out of the bone: change its sign",
        )
        for i in turned
    ]


def _common_slip(
    slips: Mapping[str, Slip], scans: Mapping[str, pd.DataFrame], file: str, positions: str
) -> list[Finding] | None:
    """One finding for all scans where they agree with each other and not with the reference."""
    kinds = {(s.code, s.detail, s.implants) for s in slips.values()}
    if len(kinds) != 1 or len(slips) < _ENOUGH_TO_AGREE:
        return None
    rows_of = list(scans.values())
    scan, slip = next(iter(slips.items()))
    if not slip.implants:
        return [_slip_finding(f"all {len(slips)} scans", rows_of[0], slip, positions)]
    rows = scans[scan]
    model = rows["model"].iloc[0]
    names = [str(rows["implant"].iloc[i]) for i in slip.implants]
    where = place(file, int(rows["row_ref"].iloc[slip.implants[0]]), "x_mm")
    if slip.code == "exchanged-implants":
        what = (
            f'all {len(slips)} scans of model "{model}" fit the reference only with '
            f"{_and(names)} exchanged"
        )
        mend = "swap their rows in the reference, or in the positions"
    else:
        unit_of = "deg" if slip.code == "wild-axis" else "mm"
        what = (
            f'all {len(slips)} scans of model "{model}" show "{names[0]}" about '
            f"{slip.off_mm:.1f} {unit_of} off its reference, but agree on the other implants"
        )
        mend = f'check the reference row of "{names[0]}" against the measurement report'
    return [fault(slip.code, what, where, mend)]


def _slip_finding(of: str, both: pd.DataFrame, slip: Slip, file: str) -> Finding:
    """Say what a slip is, where it stands, and what to do."""
    names = [str(both["implant"].iloc[i]) for i in slip.implants]
    first = int(both["row"].iloc[slip.implants[0] if slip.implants else 0])
    where = place(file, first, "x_mm")
    if slip.code == "wrong-unit":
        what = f"the positions of {of} look like {slip.detail}, not millimetres"
        return fault("wrong-unit", what, where, "convert the positions to millimetres")
    if slip.code == "reference-unit":
        what = f"the reference of {of} looks like {slip.detail}, not millimetres"
        mend = f"set reference.length_unit to that of {slip.detail}"
        return fault("wrong-unit", what, place("study.toml", column="reference.length_unit"), mend)
    if slip.code == "tops-as-platforms":
        higher = "above" if slip.off_mm > 0 else "below"
        what = (
            f"the positions of {of} fit the reference if they lie {abs(slip.off_mm):.1f} mm "
            f"{higher} its points, along the axes: one of the two may give the tops"
        )
        mend = (
            f"write reference.height_mm = {-slip.off_mm:.1f} (the drawing gives it exactly), or "
            "give both at the platforms"
        )
        return fault("tops-as-platforms", what, where, mend)
    if slip.code == "mirrored":
        what = f"the positions of {of} fit the reference only {slip.detail}"
        mend = "a coordinate has the wrong sign or two are swapped, or axes point into the bone"
        return fault("mirrored", what, where, mend)
    if slip.code == "exchanged-implants":
        what = f"{of} fits the reference only with {_and(names)} exchanged"
        mend = "correct the names in column implant; other rows may have the same error"
        return fault("exchanged-implants", what, place(file, first, "implant"), mend)
    if slip.found is not None and slip.expected is not None:
        return _wild_finding(of, names[0], slip, file, first)
    if slip.code == "wild-axis":
        what = (
            f"the axes of {_and(names)} in {of} are up to {slip.off_mm:.0f}° off the "
            "reference, while the positions fit it"
        )
        mend = "give the measured axes; (0, 0, 1) for all implants is not a measurement"
        return fault("wild-axis", what, place(file, first, "axis_x"), mend)
    what = (
        f"the positions of {of} do not match the implants of model "
        f'"{both["model"].iloc[0]}": {slip.off_mm:.3g} mm off in root mean square'
    )
    mend = "check column model of this scan, its positions and the reference"
    return fault("other-arrangement", what, where, mend)


def _wild_finding(of: str, name: str, slip: Slip, file: str, row: int) -> Finding:
    assert slip.found is not None
    assert slip.expected is not None
    columns = _AXIS if slip.code == "wild-axis" else _POSITION
    off = np.abs(slip.found - slip.expected)
    worst = int(np.argmax(off))
    alone = np.delete(off, worst).max() < 0.2 * off[worst]
    size = f"{slip.off_mm:.4g} {'deg' if slip.code == 'wild-axis' else 'mm'}"
    what = (
        f'the {"axis" if slip.code == "wild-axis" else "position"} of "{name}" in {of} is '
        f"{size} off, judged by the other implants"
    )
    if alone:
        column = columns[worst]
        what += f": {column} is {slip.found[worst]:.6g}, expected about {slip.expected[worst]:.4g}"
        return fault(slip.code, what, place(file, row, column), "correct the number")
    return fault(slip.code, what, place(file, row, columns[0]), "correct the row")


def _and(names: list[str]) -> str:
    quoted = [f'"{name}"' for name in sorted(names)]
    return ", ".join(quoted[:-1]) + " and " + quoted[-1] if len(quoted) > 1 else quoted[0]


SKETCHED = ("angulation_deg", "scan_body", "arch_order")
"""Columns of a sketch that are taken over as they are."""

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
