"""Positions supplied by a study, compared with its scan list and reference, or with a scan.

Real deviations are tenths of a millimetre. Where a scan's positions are further off,
the usual slips are tried one after the other: another unit, a mirror image, reversed
axes, two implants exchanged, another height along the axes, one wild number. The first
that explains them is named.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import ComputationError, Finding, Nearest, fault, place, warning
from accstudy.geometry.rigid import Rigid, angle_between_deg, fit_rigid, unit
from accstudy.quantities import UNIT_MM
from accstudy.study.implants import check_flats
from accstudy.study.typed_rows import records
from accstudy.words.catalogue import say

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
            found.append(warning("missing-implant", what, where, mend))
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


Floats = NDArray[np.float64]

_TIP_MM = 10.0
_FAR_MM = 1.0
"""Distance beyond which a position is a slip and no deviation (common practice)."""
_FAR_DEG = 10.0
"""Angle beyond which an axis is a slip and no deviation (common practice)."""
_TALLEST_MM = 25.0
_SUSPICIOUS = 0.4
"""Share of these beyond which one implant alone may be the cause."""
_FITS_BETTER = 4.0
"""How much better a corrected arrangement must fit to be named."""
_PLAIN_SPREAD_MM = 1e-3
_MOST_PERMUTED = 5
"""Implants up to which every exchange is tried; beyond it, two of them and the reverse."""


@dataclass(frozen=True, slots=True)
class Positions:
    """Platforms and axes of the implants of one model.

    Parameters
    ----------
    points_mm : (..., n, 3) ndarray
        Platform centres.
    axes : (..., n, 3) ndarray
        Unit axes.
    """

    points_mm: Floats
    axes: Floats

    def of(self, rows: Sequence[int] | NDArray[np.intp]) -> Positions:
        """Some of the implants, or all in another order."""
        index = rows if isinstance(rows, np.ndarray) else list(rows)
        return Positions(self.points_mm[index], self.axes[index])

    @property
    def both(self) -> Floats:
        """Platforms and the points 10 mm along the axes, (..., 2 n, 3)."""
        return np.concatenate([self.points_mm, self.points_mm + _TIP_MM * self.axes], axis=-2)


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip that explains the positions.

    Parameters
    ----------
    code : str
        ``wrong-unit``, ``reference-unit``, ``mirrored``, ``exchanged-implants``,
        ``tops-as-platforms``, ``wild-position``, ``wild-axis`` or ``other-arrangement``.
    detail : str
        Unit, or which image.
    implants : tuple of int
        Which implants are concerned; empty where all are.
    found, expected : (3,) ndarray or None
        Of a wild position or axis, in the scan's frame.
    off_mm : float
        How far it is off, or the root mean square of all distances, mm (a wild axis: deg; tops
        for platforms: how much higher than the reference the positions lie).
    """

    code: str
    detail: str = ""
    implants: tuple[int, ...] = ()
    found: Floats | None = None
    expected: Floats | None = None
    off_mm: float = 0.0


def nothing_suspicious(scans: Positions, reference: Positions) -> NDArray[np.bool_]:
    """Quick test for many scans, (m, n, 3), whether `find_slip` is needed.

    True where all lies closer than what arouses suspicion after the best fit.
    """
    a, b = reference.both, scans.both
    finite = np.isfinite(a).all(axis=(1, 2)) & np.isfinite(b).all(axis=(1, 2))
    out = np.zeros(len(b), bool)
    if not finite.any():
        return out
    a, b = a[finite], b[finite]
    ca, cb = a.mean(axis=1, keepdims=True), b.mean(axis=1, keepdims=True)
    spreads = [np.linalg.svd(p - c, compute_uv=False)[:, 1] for p, c in ((a, ca), (b, cb))]
    u, _, vt = np.linalg.svd(np.swapaxes(b - cb, 1, 2) @ (a - ca))
    u[:, :, 2] *= np.sign(np.linalg.det(u @ vt))[:, None]
    turn = np.swapaxes(u @ vt, 1, 2)
    n = a.shape[1] // 2
    off = np.linalg.norm((a[:, :n] - ca) @ turn + cb - b[:, :n], axis=2)
    turned = angle_between_deg(reference.axes[finite] @ turn, scans.axes[finite])
    near = (off <= _SUSPICIOUS * _FAR_MM).all(axis=1)
    near &= (turned <= _SUSPICIOUS * _FAR_DEG).all(axis=1)
    out[finite] = near & (np.minimum(*spreads) > _PLAIN_SPREAD_MM)
    return out


def find_slip(scan: Positions, reference: Positions) -> Slip | None:
    """Name the slip that explains why positions (two implants or more, mm) lie far off the
    reference.

    None where every position lies within 1 mm and every axis within 10 deg of the reference, after
    the best fit.
    """
    numbers = np.concatenate([scan.both, reference.both])
    if not np.isfinite(numbers).all():
        return None
    motion = _fit(scan, reference)
    if motion is not None and _near(motion, scan, reference):
        # a fit over few implants spreads the slip of one over all
        suspicious = not _near(motion, scan, reference, share=_SUSPICIOUS)
        return _wild(scan, reference) if suspicious else None
    as_given = _misfit(motion, scan, reference)
    tried = (
        _unit(scan, reference),
        _image(scan, reference),
        *_exchanges(scan, reference),
        _height(scan, reference),
    )
    fitting = [
        (misfit, slip)
        for misfit, slip in tried
        if misfit * _FITS_BETTER < as_given and misfit < _FAR_MM
    ]
    if fitting:
        best = min(misfit for misfit, _ in fitting)
        # the simplest explanation that fits about as well as the best
        return next(slip for misfit, slip in fitting if misfit <= 2 * best + 0.05)
    return (
        _axes(scan, reference)
        or _wild(scan, reference)
        or Slip("other-arrangement", off_mm=as_given)
    )


def _fit(scan: Positions, reference: Positions) -> Rigid | None:
    try:
        return fit_rigid(reference.both, scan.both)
    except (ComputationError, np.linalg.LinAlgError):
        return None


def _near(
    scan_from_reference: Rigid, scan: Positions, reference: Positions, share: float = 1.0
) -> bool:
    off = np.linalg.norm(scan_from_reference.points(reference.points_mm) - scan.points_mm, axis=1)
    turned = angle_between_deg(scan_from_reference.vectors(reference.axes), scan.axes)
    return bool(off.max() <= share * _FAR_MM and turned.max() <= share * _FAR_DEG)


def _misfit(motion: Rigid | None, scan: Positions, reference: Positions) -> float:
    """Root mean square distance of platforms and axis tips, mm."""
    if motion is None:
        return float("inf")
    off = motion.points(reference.both) - scan.both
    return float(np.sqrt((off**2).sum(axis=1).mean()))


def _fitted(scan: Positions, reference: Positions) -> float:
    return _misfit(_fit(scan, reference), scan, reference)


def _size(positions: Positions) -> float:
    spread = positions.points_mm - positions.points_mm.mean(axis=0)
    return float(np.sqrt((spread**2).sum(axis=1).mean()))


_UNIT_NAMES = {"um": "micrometres", "cm": "centimetres", "m": "metres", "inch": "inches"}
_USUAL_MM = (2.0, 60.0)
"""Root mean square distance of implants from their middle in any jaw."""


def _unit(scan: Positions, reference: Positions) -> tuple[float, Slip]:
    """Try the unit that gives the scan the size of the reference, or the reference that of it."""
    usual = [_USUAL_MM[0] < _size(one) < _USUAL_MM[1] for one in (scan, reference)]
    swap = usual == [True, False]  # the reference has the odd size
    odd, sound = (reference, scan) if swap else (scan, reference)
    ratio = _size(sound) / max(_size(odd), 1e-300)
    name = min(_UNIT_NAMES, key=lambda unit: abs(np.log(UNIT_MM[unit] / ratio)))
    scaled = Positions(odd.points_mm * UNIT_MM[name], odd.axes)
    misfit = _fitted(scan, scaled) if swap else _fitted(scaled, reference)
    return misfit, Slip("reference-unit" if swap else "wrong-unit", _UNIT_NAMES[name])


def _height(scan: Positions, reference: Positions) -> tuple[float, Slip]:
    """Try positions at another height along all axes: tops taken for platforms, say."""

    def misfit(height_mm: float) -> float:
        lower = scan.points_mm - height_mm * scan.axes
        return _fitted(Positions(lower, scan.axes), reference)

    heights = np.arange(-_TALLEST_MM, _TALLEST_MM + 0.5)
    step, best = 1.0, float(min(heights, key=misfit))
    while step > 0.01:
        step /= 3
        best = min((best - step, best, best + step), key=misfit)
    return misfit(best), Slip("tops-as-platforms", "", off_mm=best)


def _image(scan: Positions, reference: Positions) -> tuple[float, Slip]:
    """Try the mirror image, and all axes the other way round."""
    mirror = np.array([-1.0, 1.0, 1.0])
    images = {
        "with all axes reversed": Positions(reference.points_mm, -reference.axes),
        "as its mirror image": Positions(reference.points_mm * mirror, reference.axes * mirror),
    }
    return min(
        ((_fitted(scan, image), Slip("mirrored", words)) for words, image in images.items()),
        key=lambda item: item[0],
    )


def _exchanges(scan: Positions, reference: Positions) -> Iterator[tuple[float, Slip]]:
    """Try the rows of the scan in other orders: two exchanged first."""
    n = len(scan.points_mm)
    plain = tuple(range(n))
    orders: list[tuple[int, ...]] = []
    for a, b in itertools.combinations(plain, 2):
        orders.append(tuple({a: b, b: a}.get(k, k) for k in plain))
    orders.append(plain[::-1])
    if n <= _MOST_PERMUTED:
        orders += itertools.permutations(plain)
    for order in dict.fromkeys(orders):
        if order != plain:
            moved = tuple(i for i in plain if order[i] != i)
            misfit = _fitted(scan.of(order), reference)
            yield misfit, Slip("exchanged-implants", implants=moved)


def _axes(scan: Positions, reference: Positions) -> Slip | None:
    """Do the platforms alone fit, so that the axes are wrong?"""
    try:
        motion = fit_rigid(reference.points_mm, scan.points_mm, min_spread_mm=1.0)
    except (ComputationError, np.linalg.LinAlgError):
        return None
    off = np.linalg.norm(motion.points(reference.points_mm) - scan.points_mm, axis=1)
    turned = angle_between_deg(motion.vectors(reference.axes), scan.axes)
    if off.max() > _FAR_MM:
        return None
    which = tuple(int(i) for i in np.flatnonzero(turned > _FAR_DEG / 2))
    if len(which) != 1:
        return Slip("wild-axis", "", which, off_mm=float(turned.max())) if which else None
    i = which[0]
    expected = motion.vectors(reference.axes[i])
    return Slip("wild-axis", "", which, scan.axes[i], expected, float(turned[i]))


def _wild(scan: Positions, reference: Positions) -> Slip | None:
    """Leave one implant out: do the others fit, and is this one far off?"""
    n = len(scan.points_mm)
    best: tuple[float, Slip] | None = None
    for i in range(n) if n > 2 else ():
        rest = [k for k in range(n) if k != i]
        others, theirs = scan.of(rest), reference.of(rest)
        motion = _fit(others, theirs)
        if motion is None or not _near(motion, others, theirs, share=_SUSPICIOUS):
            continue
        point, axis = motion.points(reference.points_mm[i]), motion.vectors(reference.axes[i])
        off = float(np.linalg.norm(point - scan.points_mm[i]))
        turned = float(angle_between_deg(axis, scan.axes[i]))
        if off > _FAR_MM:
            slip = Slip("wild-position", "", (i,), scan.points_mm[i], point, off)
        elif turned > _FAR_DEG:
            slip = Slip("wild-axis", "", (i,), scan.axes[i], axis, turned)
        else:
            continue
        misfit = _misfit(motion, others, theirs)
        if best is None or misfit < best[0]:
            best = (misfit, slip)
    return best[1] if best else None
