"""Corners and faces as a file states them, before anything is merged or dropped."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding, Severity

__all__ = [
    "LONGEST_LINE",
    "MAX_CORNERS",
    "MAX_TRIANGLES",
    "RawMesh",
    "comment_note",
    "fan",
    "note",
    "widened",
]

MAX_TRIANGLES = 20_000_000
"""Largest mesh; sixty times a dense scan of a jaw, some gigabytes of memory."""


MAX_CORNERS = 10_000
"""Corners of a polygon."""

LONGEST_LINE = 100_000
"""Characters of a line of text."""


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
        f"its {kind} holds text, which is not copied into any result",
        "see that it names no patient before you pass the file on",
    )


def fan(polygon: Sequence[int], triangles: array[int]) -> None:
    """Part a polygon into triangles from its first corner, and append their corners."""
    for i in range(1, len(polygon) - 1):
        triangles.extend((polygon[0], polygon[i], polygon[i + 1]))


def widened(values: NDArray[Any]) -> NDArray[np.float64]:
    """Convert to double precision; whatever is no number stays none, without a warning."""
    with np.errstate(invalid="ignore"):  # a signalling NaN becomes a quiet one
        return values.astype(np.float64)
