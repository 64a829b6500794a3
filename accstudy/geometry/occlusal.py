"""The occlusal direction of a model, against which its implants are tilted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from accstudy.geometry.rigid import angle_between_deg, unit

__all__ = ["DESIGNED", "MIN_WIDTH_MM", "PLATFORMS", "STATED", "occlusal_direction"]

Floats = NDArray[np.float64]

DESIGNED = "as designed"
"""The angulation stands in implants.csv."""

STATED = "against the stated occlusal direction"
"""The user gave ``reference.occlusal``."""

PLATFORMS = "against the normal of the plane through the platforms"
"""The least-squares plane through the platforms stands for the occlusal plane."""

MIN_WIDTH_MM = 10.0
"""Width of the arrangement, across its longest line, from which its plane counts as known.

A difference of depth of 1 mm tilts the plane by 6 degrees there; common practice has no figure.
"""

_PLAUSIBLE_DEG = 45.0


def occlusal_direction(
    positions_mm: Floats, axes: Floats, *, stated: Sequence[float] | None = None
) -> tuple[Floats | None, str]:
    """Normal of the occlusal plane of a model, out of the bone.

    The mean of the axes is no such direction: it follows the tilts that are to be
    measured against it, and makes two implants of 0 and 15 degrees 7.5 and 7.5.

    Parameters
    ----------
    positions_mm : (n, 3) ndarray
        Platforms of the model, reference frame.
    axes : (n, 3) ndarray
        Unit axes out of the bone; they only give the plane's normal its sign.
    stated : sequence of 3 floats, optional
        The direction as the user knows it; it goes before the platforms.

    Returns
    -------
    direction : (3,) ndarray or None
        Unit vector; None where two platforms, or platforms on a line, leave it open.
    definition : str
        `STATED` or `PLATFORMS`; empty where there is none.

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [30, 0, 0], [30, 20, 0], [0, 20, 0]])
    >>> tilted = np.array([[0, 0, 1.0], [0, 0, 1], [0.5, 0, 0.75**0.5], [0.5, 0, 0.75**0.5]])
    >>> direction, definition = occlusal_direction(square, tilted)
    >>> np.round(direction + 0.0, 6).tolist(), definition
    ([0.0, 0.0, 1.0], 'against the normal of the plane through the platforms')
    >>> occlusal_direction(square[:2], tilted[:2])
    (None, '')
    """
    if stated is not None:
        return unit(np.asarray(stated, float)), STATED
    if len(positions_mm) < 3:
        return None, ""
    centred = positions_mm - positions_mm.mean(axis=0)
    _, _, directions = np.linalg.svd(centred, full_matrices=True)
    if np.ptp(centred @ directions[1]) < MIN_WIDTH_MM:
        return None, ""
    mean_axis = unit(np.asarray(axes, float).sum(axis=0))
    normal = directions[2] * (1.0 if directions[2] @ mean_axis >= 0 else -1.0)
    if float(angle_between_deg(normal, mean_axis)) > _PLAUSIBLE_DEG:
        return None, ""
    return normal, PLATFORMS
