"""The reference of one model, with the scan bodies of its implants made ready."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import InputError, nearest
from accstudy.locate.arrangement import Lines
from accstudy.locate.body import ScanBody
from accstudy.locate.prepared import PreparedBody, prepare_body

__all__ = ["ReferenceModel", "reference_model"]

Floats = NDArray[np.float64]


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
