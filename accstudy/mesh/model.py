"""The triangle mesh that every room works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding

__all__ = ["Mesh"]


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles in double precision, in mm.

    Parameters
    ----------
    vertices_mm : (n, 3) ndarray of float64
        Corners, each once.
    faces : (m, 3) ndarray of int32
        Corner indices; counter-clockwise seen from outside.
    findings : tuple of Finding
        What the reader saw that the user should know.
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int32]
    findings: tuple[Finding, ...] = ()
