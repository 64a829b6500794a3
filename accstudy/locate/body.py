"""A scan body's drawing, placed in the frame of the implant."""

from __future__ import annotations

from dataclasses import dataclass

from accstudy.mesh.model import Mesh

__all__ = ["ScanBody"]


@dataclass(frozen=True, slots=True)
class ScanBody:
    """Drawing geometry of a scan body in the implant frame.

    The implant frame has its origin at the platform centre, z along the axis
    out of the bone and x towards the flat.

    Parameters
    ----------
    name : str
        Key of ``[scan_body.*]`` in study.toml.
    mesh : Mesh
        Drawing in the implant frame, mm.
    has_flat : bool
        Whether the drawing fixes the rotation about the axis.
    use_above_mm : float
        Surface lower than this over the platform is not used.
    """

    name: str
    mesh: Mesh
    has_flat: bool
    use_above_mm: float
