"""A mesh as it is read, before anything is cleaned, and as it is used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding, Severity
from accstudy.mesh.source import Source

__all__ = [
    "MAX_CORNERS",
    "MAX_TRIANGLES",
    "Mesh",
    "RawMesh",
    "comment_note",
    "note",
    "triangles_of",
    "widened",
]


MAX_TRIANGLES = 20_000_000
"""Largest mesh; sixty times a dense scan of a jaw, some gigabytes of memory."""

MAX_CORNERS = 10_000
"""Corners of a polygon."""

_EACH, _SPARE = 4, 10_000
"""Triangles a corner; a closed surface has two, and four if each is listed twice."""


@dataclass(frozen=True, slots=True)
class RawMesh:
    """What a format's reader hands on.

    Parameters
    ----------
    corners : (n, 3) ndarray of float32 or float64
        Finite coordinates in the file's unit, as precise as the file has them.
    faces : (m, 3) ndarray of int64 or None
        Corner indices; None when every three corners are a triangle.
    findings : tuple of Finding
        What is legal but odd.
    """

    corners: NDArray[np.floating[Any]]
    faces: NDArray[np.int64] | None
    findings: tuple[Finding, ...] = ()


def note(code: str, what: str, mend: str = "", *, warning: bool = False) -> Finding:
    """Make a note or a warning about a mesh; the file is named later."""
    return Finding(Severity.WARNING if warning else Severity.NOTE, code, what, "", mend)


def comment_note(kind: str) -> Finding:
    """Note that a file holds text that could name a person; the text itself is not kept."""
    return note(
        "comment",
        f"its {kind} holds text, which is not copied into the results",
        "make sure that it names no patient before you pass the file on",
    )


def triangles_of(
    source: Source, indices: NDArray[np.int64], counts: NDArray[np.int64], corners: int
) -> NDArray[np.int64]:
    """Part polygons into triangles, each from its first corner.

    Parameters
    ----------
    source : Source
        The file.
    indices : (k,) ndarray
        Corners of all polygons, one polygon after another.
    counts : (n,) ndarray
        How many corners each polygon has; at least three.
    corners : int
        How many corners there are.

    Returns
    -------
    (m, 3) ndarray

    Raises
    ------
    MeshError
        If there are none, far more than a surface on these corners has, or a polygon
        names a corner that there is not.
    """
    made = int(counts.sum()) - 2 * len(counts)
    if not made:
        raise source.fault("it holds corners but no faces: a point cloud is not read")
    if made > MAX_TRIANGLES:
        raise source.fault(
            f"it has {made} triangles, more than {MAX_TRIANGLES // 1_000_000} million"
        )
    if made > _EACH * corners + _SPARE:
        raise source.fault(f"it has {made} triangles on {corners} corners, which no surface has")
    if made == len(counts):
        faces = indices.reshape(-1, 3)
    else:
        each = counts - 2
        start = np.repeat(np.cumsum(counts) - counts, each)
        later = start + np.arange(made) - np.repeat(np.cumsum(each) - each, each) + 1
        faces = np.stack([indices[start], indices[later], indices[later + 1]], axis=1)
    bad = (faces < 0) | (faces >= corners)
    if bad.any():
        row = int(np.argmax(bad.any(axis=1)))
        raise source.fault(f"triangle {row + 1} names a corner that there is not")
    return faces


def widened(values: NDArray[Any]) -> NDArray[np.float64]:
    """Convert to double precision; whatever is no number stays none, without a warning."""
    with np.errstate(invalid="ignore"):  # a signalling NaN becomes a quiet one
        return values.astype(np.float64)


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
