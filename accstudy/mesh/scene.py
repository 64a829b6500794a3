"""The one place that imports open3d: closest points, rays, thinning; shaded pictures of meshes."""

from __future__ import annotations

import ctypes
import re
import sys
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from accstudy.errors import InputError, MissingLibraryError
from accstudy.geometry.rigid import unit
from accstudy.mesh.model import Mesh, vertex_normals


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


_LIGHT = unit([-0.4, 0.5, 0.77])  # right, up, towards the viewer: over the left shoulder
_AMBIENT, _DEPTH_CUE, _INSIDE = 0.3, 0.18, 0.7
_CREASE_COSINE = 0.8
_BRIGHTEST = 0.99  # below the 1 of the background


@dataclass(frozen=True, slots=True)
class View:
    """A parallel projection: unit vectors of the picture and of the viewing direction (``ahead``).

    ``centre_mm`` lies in the middle of the picture, which shows ``extent_mm``; a pixel is square.
    """

    right: Floats
    up: Floats
    ahead: Floats
    centre_mm: Floats
    extent_mm: tuple[float, float]
    size_px: tuple[int, int]

    def project(self, points_mm: ArrayLike) -> Floats:
        """Pixel column and row, (..., 2), of points; the middle of the first pixel is 0, 0."""
        local = np.asarray(points_mm, float) - self.centre_mm
        per_mm = self.size_px[0] / self.extent_mm[0]
        column = local @ self.right * per_mm + self.size_px[0] / 2 - 0.5
        row = self.size_px[1] / 2 - local @ self.up * per_mm - 0.5
        return np.stack([column, row], axis=-1)


@dataclass(frozen=True, slots=True)
class Shaded:
    """What every pixel of a picture shows; h rows from the top, w columns.

    Parameters
    ----------
    view : View
        The projection.
    shade : (h, w) ndarray
        Brightness, 0 to 0.99; 1 where nothing is hit.
    hit : (h, w) ndarray of bool
        Whether a surface is there.
    mesh : (h, w) ndarray of int
        Which of the given meshes; -1 for none.
    vertices : (h, w, 3) ndarray of int
        Corners of its triangle, by the mesh's own count; 0 for none.
    barycentric : (h, w, 3) ndarray
        Weights of the corners at the hit point; NaN for none.
    depth_mm : (h, w) ndarray
        Distance behind the plane through the view's centre; NaN for none.
    """

    view: View
    shade: Floats
    hit: NDArray[np.bool_]
    mesh: NDArray[np.int32]
    vertices: NDArray[np.int32]
    barycentric: Floats
    depth_mm: Floats

    def vertex_values(self, values: ArrayLike) -> Floats:
        """Values of the first mesh's vertices, (n,), as pixels, (h, w).

        NaN where another mesh or none is seen, and in triangles with a corner
        whose value is NaN.
        """
        given = np.asarray(values, float)
        mine = self.mesh == 0
        out = np.full(self.hit.shape, np.nan)
        out[mine] = np.sum(given[self.vertices[mine]] * self.barycentric[mine], axis=1)
        return out


def seen_from_above(tilt_deg: float = 35.0, *, turn_deg: float = 0.0) -> tuple[Floats, Floats]:
    """Viewing direction and up for a model whose axes point along z.

    `tilt_deg` 0 looks straight down, 90 level along +y; `turn_deg` turns the viewer about z,
    counter-clockwise seen from above.
    """
    tilt, turn = np.radians([tilt_deg, turn_deg])
    forward = np.array([-np.sin(turn), np.cos(turn), 0.0])
    down = np.array([0.0, 0.0, -1.0])
    direction = np.sin(tilt) * forward + np.cos(tilt) * down
    return direction, np.cos(tilt) * forward - np.sin(tilt) * down


def fit_view(
    points_mm: ArrayLike,
    *,
    direction: ArrayLike,
    up: ArrayLike,
    width_px: int = 1200,
    height_px: int | None = None,
    margin: float = 0.03,
) -> View:
    """Make the view that just shows some points, (n, 3), with a free `margin` all round.

    `direction` and `up` need to be neither unit vectors nor square to each other; `InputError` if
    they lie along each other. Without `height_px` the height follows from the points.
    """
    ahead = unit(direction)
    right = np.cross(ahead, unit(up))
    if not np.linalg.norm(right) > 1e-6:
        raise InputError("the picture's up lies along the viewing direction")
    right = unit(right)
    true_up = np.cross(right, ahead)
    local = np.asarray(points_mm, float) @ np.column_stack([right, true_up, ahead])
    low, high = local.min(axis=0), local.max(axis=0)
    free = 2 * margin * float((high - low)[:2].max())
    wide, tall = (np.maximum(high - low, 1e-6)[:2] + free).tolist()
    rows = max(1, round(width_px * tall / wide)) if height_px is None else height_px
    wide = max(wide, tall * width_px / rows)
    centre = np.column_stack([right, true_up, ahead]) @ ((low + high) / 2)
    extent = (wide, wide * rows / width_px)
    return View(right, true_up, ahead, centre, extent, (width_px, rows))


def shade(meshes: Mesh | Sequence[Mesh], view: View) -> Shaded:
    """Cast one ray a pixel and light what it meets.

    Parameters
    ----------
    meshes : Mesh or sequence of Mesh
        In one frame; the first surface along a ray is seen, whichever it is.
    view : View
        The projection; see `fit_view`.

    Notes
    -----
    The light comes over the viewer's left shoulder and wraps a little around
    the shape; a constant part keeps the shadows readable and the brightness
    falls slightly with depth. Normals are interpolated between corners, but
    not over creases. A surface seen from its inside is darker.
    """
    given = [meshes] if isinstance(meshes, Mesh) else list(meshes)
    first_vertex = np.cumsum([0, *(len(m.vertices_mm) for m in given)])
    first_face = np.cumsum([0, *(len(m.faces) for m in given)])
    joined = Mesh(
        np.concatenate([m.vertices_mm for m in given]),
        np.concatenate([m.faces + o for m, o in zip(given, first_vertex[:-1], strict=True)]).astype(
            np.int32
        ),
    )
    origins, reach = _ray_origins(view, joined.vertices_mm)
    scene = Scene(joined)
    along, face = scene.cast(origins, np.broadcast_to(view.ahead, origins.shape))
    seen = np.flatnonzero(face >= 0)
    count = len(origins)
    face_seen = face[seen]
    points = origins[seen] + along[seen, None] * view.ahead
    corners = joined.faces[face_seen]
    weights = _barycentric(points, joined.vertices_mm[corners])
    flat_normal = scene.normals[np.searchsorted(scene.kept, face_seen)]
    depth = along[seen] - reach
    which = np.searchsorted(first_face, face_seen, side="right") - 1
    bright = _light(
        view, _normals(joined, scene, corners, weights, flat_normal), flat_normal, depth
    )
    shape = (view.size_px[1], view.size_px[0])

    def spread(values: NDArray[np.generic], empty: float) -> NDArray[np.generic]:
        out = np.full((count, *values.shape[1:]), empty, values.dtype)
        out[seen] = values
        return out.reshape(*shape, *values.shape[1:])

    own = corners - first_vertex[which][:, None]
    return Shaded(
        view=view,
        shade=spread(bright, 1.0).astype(float),
        hit=(face >= 0).reshape(shape),
        mesh=spread(which, -1).astype(np.int32),
        vertices=spread(own, 0).astype(np.int32),
        barycentric=spread(weights, np.nan).astype(float),
        depth_mm=spread(depth, np.nan).astype(float),
    )


def _ray_origins(view: View, vertices_mm: Floats) -> tuple[Floats, float]:
    """Start of the ray of every pixel, in front of everything, and how far in front."""
    w, h = view.size_px
    x = ((np.arange(w) + 0.5) / w - 0.5) * view.extent_mm[0]
    y = (0.5 - (np.arange(h) + 0.5) / h) * view.extent_mm[1]
    nearest = float(((vertices_mm - view.centre_mm) @ view.ahead).min())
    reach = 1.0 - nearest
    grid = x[None, :, None] * view.right + y[:, None, None] * view.up
    return (grid + view.centre_mm - reach * view.ahead).reshape(-1, 3), reach


def _barycentric(points: Floats, triangles: Floats) -> Floats:
    """Weights of the corners, (k, 3), of points in their triangles."""
    a = triangles[:, 0]
    u, v, p = triangles[:, 1] - a, triangles[:, 2] - a, points - a
    uu, uv, vv, pu, pv = (
        np.einsum("ij,ij->i", x, y) for x, y in ((u, u), (u, v), (v, v), (p, u), (p, v))
    )
    square = uu * vv - uv * uv
    second, third = (vv * pu - uv * pv) / square, (uu * pv - uv * pu) / square
    weights: Floats = np.clip(np.column_stack([1 - second - third, second, third]), 0.0, 1.0)
    weights /= weights.sum(axis=1, keepdims=True)
    return weights


def _normals(
    mesh: Mesh, scene: Scene, corners: NDArray[np.int32], weights: Floats, flat_normal: Floats
) -> Floats:
    """Normals between the corners' ones; a triangle's own where a corner lies on a crease."""
    vectors = scene.normals * scene.areas_mm2[:, None]
    at_corner = vertex_normals(mesh.faces[scene.kept], vectors, len(mesh.vertices_mm))
    smooth = np.zeros_like(flat_normal)
    straightest = np.ones(len(corners))
    for k in range(3):
        normal = np.take(at_corner, corners[:, k], axis=0)
        np.minimum(straightest, np.einsum("ij,ij->i", normal, flat_normal), out=straightest)
        smooth += weights[:, k, None] * normal
    crease = straightest < _CREASE_COSINE
    smooth /= np.maximum(np.linalg.norm(smooth, axis=1, keepdims=True), 1e-300)
    smooth[crease] = flat_normal[crease]
    return smooth


def _light(view: View, normals: Floats, flat_normal: Floats, depth: Floats) -> Floats:
    """Brightness of hits, 0 to 1."""
    inside = flat_normal @ view.ahead > 0
    towards = np.where(inside[:, None], -normals, normals)
    light = np.column_stack([view.right, view.up, -view.ahead]) @ _LIGHT
    wrapped = np.maximum((towards @ light + 0.25) / 1.25, 0.0)
    bright = _AMBIENT + (1 - _AMBIENT) * wrapped
    if len(depth):
        spread = max(float(np.ptp(depth)), 1e-9)
        bright = bright * (1 - _DEPTH_CUE * (depth - depth.min()) / spread)
    return np.asarray(np.clip(np.where(inside, _INSIDE * bright, bright), 0.0, _BRIGHTEST))
