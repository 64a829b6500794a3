"""What is wrong with positions that do not match the reference.

Real deviations are tenths of a millimetre. Where a scan's positions are further off,
the usual slips are tried one after the other: another unit, a mirror image, reversed
axes, two implants exchanged, another height along the axes, one wild number. The first
that explains them is named.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import ComputationError
from accstudy.geometry.features import UNIT_MM
from accstudy.geometry.rigid import Rigid, angle_between_deg, fit_rigid

__all__ = ["Positions", "Slip", "find_slip", "nothing_suspicious"]

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
