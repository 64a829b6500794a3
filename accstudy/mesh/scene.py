"""The one place that imports open3d: closest points and rays on a mesh, and its thinning."""

from __future__ import annotations

import ctypes
import re
import sys
import warnings
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError, MissingLibraryError
from accstudy.mesh.model import Mesh


def thin(mesh: Mesh, triangles: int) -> Mesh:
    """Thin a mesh out to about a number of triangles, by quadric edge collapse as open3d does it.

    Garland and Heckbert, SIGGRAPH 1997. A mesh that has no more is returned as it is.
    """
    if len(mesh.faces) <= triangles:
        return mesh
    o3d = open3d()
    whole = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(mesh.vertices_mm), o3d.utility.Vector3iVector(mesh.faces)
    )
    small = whole.simplify_quadric_decimation(triangles)
    return Mesh(np.asarray(small.vertices), np.asarray(small.triangles).astype(np.int32))


Floats = NDArray[np.float64]

_PACKAGES = "libusb-1.0-0 libgl1 libegl1 libx11-6 libgomp1"


@cache
def open3d() -> Any:
    """Import open3d, once and only when it is needed.

    Returns
    -------
    module

    Raises
    ------
    MissingLibraryError
        If it is not installed, or a system library that it loads is missing;
        the message names the library and the packages that hold it.
    """
    if sys.platform.startswith("linux"):
        _load_usb()
    _leave_out_web_viewer()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import open3d as module
    except (ImportError, OSError) as error:  # open3d loads some of its libraries by itself
        library = re.search(r"(lib[\w.+-]+\.so[\w.]*)", str(error))
        if library is None:
            raise MissingLibraryError(
                f"open3d cannot be imported: {error}",
                hint="install it with pip: open3d-cpu on Linux x86_64, open3d on macOS, Windows; "
                "none exists for Linux on ARM, where only studies of positions (poses.csv) run",
            ) from error
        raise MissingLibraryError(
            f"open3d needs the system library {library[1]}, which is missing",
            hint=f"on Debian: apt-get install -y --no-install-recommends {_PACKAGES}",
        ) from error
    module.utility.set_verbosity_level(module.utility.VerbosityLevel.Error)
    return module


def _leave_out_web_viewer() -> None:
    """Stand in for open3d's viewer in the browser.

    Its import loads a web server and a client that binds a local port to learn
    what the machine can do. Nothing here shows a scene, and nothing here may
    open a socket; the import takes half of the time, too.
    """
    name = "open3d.visualization.draw_plotly"
    if name not in sys.modules:
        stand_in = ModuleType(name)
        for function in ("get_plotly_fig", "draw_plotly", "draw_plotly_server"):
            setattr(stand_in, function, None)
        sys.modules[name] = stand_in


def _load_usb() -> None:
    """Make libusb known to the loader; the registry's package carries it."""
    try:
        ctypes.CDLL("libusb-1.0.so.0", mode=ctypes.RTLD_GLOBAL)
    except OSError:
        try:
            import libusb_package

            ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
        except (ImportError, OSError):
            return  # the import of open3d names what is missing


class Scene:
    """A triangle mesh that answers for closest points and rays.

    Parameters
    ----------
    mesh : Mesh
        The surface; triangles without area are left out, as they have no normal.

    Raises
    ------
    InputError
        If all triangles have zero area.

    Notes
    -----
    open3d computes in single precision. Coordinates are centred in double
    precision first, which keeps its error near 0.01 um for a jaw's size.
    """

    def __init__(self, mesh: Mesh) -> None:
        corners, faces = mesh.vertices_mm, mesh.faces
        first, second, third = (np.take(corners, faces[:, k], axis=0) for k in range(3))
        u, v = second - first, third - first
        normals = _cross(u, v)
        length = np.sqrt(_dot(normals, normals))
        longest2 = np.maximum(_dot(u, u), _dot(v, v))
        np.maximum(longest2, _dot(third - second, third - second), out=longest2)
        self.kept = np.flatnonzero(length > 1e-9 * np.maximum(longest2, 1e-24))
        if not len(self.kept):
            raise InputError("the mesh has no triangle with an area")
        self.areas_mm2 = length[self.kept] / 2
        self.normals = normals[self.kept] / length[self.kept, None]
        self.centre_mm = (corners.min(axis=0) + corners.max(axis=0)) / 2
        o3d = open3d()
        self._scene = o3d.t.geometry.RaycastingScene(nthreads=1)
        self._scene.add_triangles(
            o3d.core.Tensor((corners - self.centre_mm).astype(np.float32)),
            o3d.core.Tensor(faces[self.kept].astype(np.uint32)),
        )

    def closest(self, points_mm: Floats) -> tuple[Floats, NDArray[np.int64], Floats]:
        """Closest points of the surface.

        Parameters
        ----------
        points_mm : (k, 3) ndarray
            Where to look from.

        Returns
        -------
        distance_mm : (k,) ndarray
            Positive on the side to which the nearest triangle's normal points.
        triangle : (k,) ndarray of int
            Index of the nearest triangle in the mesh.
        nearest_mm : (k, 3) ndarray
            The closest points.
        """
        o3d = open3d()
        local = np.asarray(points_mm, float) - self.centre_mm
        found = self._scene.compute_closest_points(
            o3d.core.Tensor(local.astype(np.float32)), nthreads=1
        )
        nearest = found["points"].numpy().astype(float)
        which = found["primitive_ids"].numpy().astype(np.int64)
        gap = local - nearest
        along = np.einsum("ij,ij->i", gap, self.normals[which])
        distance = np.copysign(np.linalg.norm(gap, axis=1), along)
        return distance, self.kept[which], nearest + self.centre_mm

    def cast(self, origins_mm: Floats, directions: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """Follow rays to the first triangle.

        Parameters
        ----------
        origins_mm, directions : (k, 3) ndarray
            Rays; directions of length 1 give distances in mm.

        Returns
        -------
        along_mm : (k,) ndarray
            Distance along the ray; infinite where it meets nothing.
        triangle : (k,) ndarray of int
            Index of the triangle in the mesh; -1 for none.
        """
        o3d = open3d()
        rays = np.empty((len(origins_mm), 6), np.float32)
        rays[:, :3] = np.asarray(origins_mm, float) - self.centre_mm
        rays[:, 3:] = directions
        found = self._scene.cast_rays(o3d.core.Tensor.from_numpy(rays), nthreads=1)
        along = found["t_hit"].numpy().astype(float)
        which = found["primitive_ids"].numpy()
        hit = np.isfinite(along)
        triangle = np.full(len(along), -1, np.int64)
        triangle[hit] = self.kept[which[hit]]
        return along, triangle

    def hits(self, origins_mm: Floats, directions: Floats) -> NDArray[np.bool_]:
        """Whether rays meet the surface; parameters as for `cast`."""
        return np.isfinite(self.cast(origins_mm, directions)[0])


def _cross(a: Floats, b: Floats) -> Floats:
    out = np.empty_like(a)
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        out[:, k] = a[:, i] * b[:, j] - a[:, j] * b[:, i]
    return out


def _dot(a: Floats, b: Floats) -> Floats:
    product: Floats = np.einsum("ij,ij->i", a, b)
    return product
