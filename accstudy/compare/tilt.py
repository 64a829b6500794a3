"""By how much a least-squares alignment of implants may itself be tilted."""

from __future__ import annotations

import numpy as np
import scipy  # scipy.stats loads when it is first used
from numpy.typing import NDArray

__all__ = ["tilt_uncertainty"]

Floats = NDArray[np.float64]

_LEAST_DF = 4.0
"""Degrees of freedom below which no standard uncertainty is stated."""


def tilt_uncertainty(
    residual: Floats,
    arm: Floats,
    seen: NDArray[np.bool_],
    axes: Floats,
    common: Floats,
) -> Floats:
    """Standard uncertainty of the tilt of each alignment, from the residuals of its fit.

    Parameters
    ----------
    residual : (s, 2n, 3) ndarray
        Platforms, then axis points, of s aligned scans less those of the reference, mm.
    arm : (s, 2n, 3) ndarray
        Reference points less the centroid of those that the fit used, mm.
    seen : (s, n) ndarray of bool
        Implants that the fit used.
    axes : (n, 3) ndarray
        Reference axes.
    common : (3,) ndarray
        Direction whose tilt is meant.

    Returns
    -------
    (s,) ndarray
        Deg, per component of the tilt, such that 1.96 of it cover 95 %; NaN for fewer than
        three implants.

    Notes
    -----
    Implants err independently of each other and alike. An implant's error has four
    parameters: the variance along its axis, the variances of platform and axis point
    across it, and their covariance (a body located by its upper part moves both). They
    are the solution of four equations, squares and products of residuals = their
    expectation under the fit, which knows that residuals are smaller than errors by the
    leverage of each point. Their ratios are those of all scans that show the same
    implants; the size is each scan's own. The quantile of Student's t over 1.96 allows
    for the degrees of freedom of that size (Satterthwaite: twice the squared mean over
    the variance of the sum of squares).

    Errors that neighbours share, a stretched or bent scan, are no tilt and not in it. With
    one scan of four implants the four variances rest on that scan alone and 1.96 of the
    result cover about 85 %; from a few scans on, 94 to 97 %.
    """
    out = np.full(len(residual), np.nan)
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        rows = np.flatnonzero(which.ravel() == number)
        if pattern.sum() >= 3:
            points = np.concatenate([pattern, pattern])
            out[rows] = _of_pattern(
                residual[np.ix_(rows, points)], arm[rows[0]][points], axes[pattern], common
            )
    return out


def _of_pattern(residual: Floats, arm: Floats, axes: Floats, common: Floats) -> Floats:
    s, n = len(residual), len(axes)
    shift = np.tile(np.eye(3), (2 * n, 1))
    jacobian = np.hstack([shift, _cross(arm).reshape(6 * n, 3)])
    solve = np.linalg.pinv(jacobian)
    fit = np.eye(6 * n) - jacobian @ solve
    bases = _bases(axes)
    through = [fit @ basis @ fit for basis in bases]
    flat = residual.reshape(s, 6 * n)
    moments = np.stack([np.einsum("si,ij,sj->s", flat, basis, flat) for basis in bases], axis=1)
    expected = np.array([[np.sum(b * t) for t in through] for b in bases])
    shape = _possible(np.linalg.lstsq(expected, moments.mean(axis=0), rcond=None)[0])
    known = sum(v * t for v, t in zip(shape, through, strict=True))
    mean, variance = float(np.trace(known)), 2.0 * float(np.sum(known * known))
    if mean <= 0.0:
        return np.zeros(s)
    df = 2.0 * mean**2 / variance
    if df < _LEAST_DF:
        return np.full(s, np.nan)
    turn = solve[3:]
    across = np.eye(3) - np.outer(common, common)
    tilt = [float(np.sum(across * (turn @ basis @ turn.T))) / 2.0 for basis in bases]
    size = np.sum(flat**2, axis=1) / mean
    widened = float(scipy.stats.t.ppf(0.975, df) / scipy.stats.norm.ppf(0.975))
    found: Floats = np.degrees(widened * np.sqrt(np.maximum(shape @ np.array(tilt), 0.0) * size))
    return found


def _cross(arm: Floats) -> Floats:
    """Matrices that turn a small rotation into the shift of each point, ``rotation x arm``."""
    x, y, z = arm.T
    zero = np.zeros_like(x)
    return np.stack([[zero, z, -y], [-z, zero, x], [y, -x, zero]]).transpose(2, 0, 1)


def _bases(axes: Floats) -> list[Floats]:
    """Covariances of all points for each parameter of an implant's error by itself."""
    n = len(axes)
    out = [np.zeros((6 * n, 6 * n)) for _ in range(4)]
    for i, axis in enumerate(axes):
        along = np.outer(axis, axis)
        across = np.eye(3) - along
        p, q = slice(3 * i, 3 * i + 3), slice(3 * (n + i), 3 * (n + i) + 3)
        for a in (p, q):
            for b in (p, q):
                out[0][a, b] = along
        out[1][p, p] = across
        out[2][q, q] = across
        out[3][p, q] = out[3][q, p] = across
    return out


def _possible(found: Floats) -> Floats:
    """Nearest variances that can be: none negative, the covariance within its bound."""
    along, platform, point = (max(float(v), 0.0) for v in found[:3])
    bound = float(np.sqrt(platform * point))
    return np.array([along, platform, point, min(max(float(found[3]), -bound), bound)])
