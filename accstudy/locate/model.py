"""The reference of one model, with its scan bodies prepared for fitting; the size of a scan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError, nearest
from accstudy.geometry.rigid import Rigid
from accstudy.locate.arrangement import Arrangement, Lines, place_of
from accstudy.locate.drawing import ScanBody
from accstudy.locate.prepared import PreparedBody, prepare_body
from accstudy.mesh.model import Mesh

__all__ = ["ReferenceModel", "check_size", "empty_places", "reference_model"]

Floats = NDArray[np.float64]

_SMALLEST, _USUAL, _LARGEST = 0.3, 1.2, 8.0  # size of a scan over what its model needs
_FACTORS = ((1000.0, "m"), (25.4, "inch"), (10.0, "cm"))


@dataclass(frozen=True, slots=True)
class ReferenceModel:
    """Implants of one model as locating needs them.

    Parameters
    ----------
    name : str
        Name of the model.
    implants : tuple of str
        Names of the implants.
    lines : Lines
        Platforms, axes and kinds of scan body.
    flats : (n, 3) ndarray
        Directions of the flats; NaN where unknown.
    bodies : tuple of PreparedBody
        For each implant.
    kinds : tuple of PreparedBody
        Each kind of scan body once; `lines.kinds` counts them.
    """

    name: str
    implants: tuple[str, ...]
    lines: Lines
    flats: Floats
    bodies: tuple[PreparedBody, ...]
    kinds: tuple[PreparedBody, ...]

    @property
    def span_mm(self) -> float:
        """Largest distance between two platforms."""
        p = self.lines.points_mm
        return float(np.linalg.norm(p[:, None] - p[None], axis=2).max())


def reference_model(reference: pd.DataFrame, bodies: Mapping[str, ScanBody]) -> ReferenceModel:
    """Make the reference rows of one model ready.

    Parameters
    ----------
    reference : DataFrame
        Rows of table ``implants``, one model.
    bodies : mapping of ScanBody
        By the key that column ``scan_body`` names; an empty cell means
        ``default``, or the only one there is.

    Returns
    -------
    ReferenceModel

    Raises
    ------
    InputError
        If there are no rows, or a row names a scan body that is not there.
    """
    if not len(reference):
        raise InputError("the reference has no implant of this model")
    keys = (
        reference["scan_body"].fillna("").tolist()
        if "scan_body" in reference
        else [""] * len(reference)
    )
    prepared = tuple(prepare_body(_body(key, bodies)) for key in keys)
    kinds = tuple({id(p): p for p in prepared}.values())
    kind = np.array([next(k for k, p in enumerate(kinds) if p is q) for q in prepared])
    axes = _columns(reference, "axis_{}")
    axes = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    return ReferenceModel(
        name=str(reference["model"].iloc[0]),
        implants=tuple(reference["implant"].astype(str)),
        lines=Lines(_columns(reference, "{}_mm"), axes, kind),
        flats=_columns(reference, "flat_{}"),
        bodies=prepared,
        kinds=kinds,
    )


def _body(key: str, bodies: Mapping[str, ScanBody]) -> ScanBody:
    if key in bodies:
        return bodies[key]
    if key in ("", "default") and "default" in bodies:
        return bodies["default"]
    if key == "" and len(bodies) == 1:
        return next(iter(bodies.values()))
    raise InputError(
        f'the reference names scan body "{key or "default"}", which is not described in study.toml',
        hint=nearest(key or "default", list(bodies)) if bodies else "add [scan_body.default]",
    )


def _columns(frame: pd.DataFrame, pattern: str) -> Floats:
    names = [pattern.format(c) for c in "xyz"]
    empty = np.full(len(frame), np.nan)
    return np.column_stack([frame[n].to_numpy(float) if n in frame else empty for n in names])


def empty_places(way: Arrangement, model: ReferenceModel) -> list[tuple[Rigid, PreparedBody]]:
    """Where a reading expects scan bodies that it did not find."""
    missing = [i for i, c in enumerate(way.candidate) if c < 0]
    return [(place_of(way, model.lines, i), model.bodies[i]) for i in missing]


class WrongUnitError(InputError):
    """A scan too small or too large to hold its model."""

    code = "wrong-unit"


def check_size(mesh: Mesh, model: ReferenceModel) -> None:
    """Refuse a scan whose size shows that its unit is another.

    Parameters
    ----------
    mesh : Mesh
        The scan, taken to be in mm.
    model : ReferenceModel
        The reference.

    Raises
    ------
    WrongUnitError
        If the scan is far too small or too large for the implants' span.
    """
    low, high = np.percentile(
        mesh.vertices_mm[:: max(1, len(mesh.vertices_mm) // 20_000)], [2, 98], axis=0
    )
    size = float(np.linalg.norm(high - low))
    expected = model.span_mm + 2 * max(b.reach_mm for b in model.bodies)
    if _SMALLEST * expected < size < _LARGEST * expected:
        return
    guesses = [(size * f / expected, name, False) for f, name in _FACTORS]
    guesses += [(size / f / expected, name, True) for f, name in _FACTORS]
    ratio, name, reverse = min(guesses, key=lambda g: abs(np.log(g[0] / _USUAL)))
    if _SMALLEST < ratio < _LARGEST:
        looks, read = ("mm", name) if reverse else (name, "mm")
        raise WrongUnitError(
            f"the scan is {size:.3g} mm across, the model about {expected:.0f} mm: "
            f"its coordinates look like {looks}, but are read as {read}",
            hint=f'set length_unit = "{looks}" under [scans], if all scans are like this one',
        )
    raise WrongUnitError(
        f"the scan is {size:.4g} mm across, the model about {expected:.0f} mm",
        hint="check scans.length_unit and that this is a scan of this model",
    )
