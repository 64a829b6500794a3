"""Fewer triangles for a picture; never for measuring."""

from __future__ import annotations

import numpy as np

from accstudy.mesh.model import Mesh
from accstudy.mesh.scene import open3d

__all__ = ["thin"]


def thin(mesh: Mesh, triangles: int) -> Mesh:
    """Thin a mesh out to about a number of triangles.

    Parameters
    ----------
    mesh : Mesh
        Any mesh.
    triangles : int
        Wanted number; a mesh that has no more is returned as it is.

    Returns
    -------
    Mesh
        By quadric edge collapse (Garland and Heckbert 1997), as open3d does it.
    """
    if len(mesh.faces) <= triangles:
        return mesh
    o3d = open3d()
    whole = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(mesh.vertices_mm), o3d.utility.Vector3iVector(mesh.faces)
    )
    small = whole.simplify_quadric_decimation(triangles)
    return Mesh(np.asarray(small.vertices), np.asarray(small.triangles).astype(np.int32))
