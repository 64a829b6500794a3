"""STL, binary and ASCII, by a strict reading."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.raw import RawMesh, comment_note, note, widened
from accstudy.mesh.source import Source
from accstudy.mesh.stl_text import read_stl_text

__all__ = ["read_stl", "stl_bytes"]

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84
_TRAILING = 4096


def read_stl(source: Source) -> RawMesh:
    """Read an STL file.

    Parameters
    ----------
    source : Source
        Its bytes. ``84 + 50 n == size`` decides that it is binary, whatever
        its first bytes say; a binary file may have a few bytes more at its end.

    Returns
    -------
    RawMesh

    Raises
    ------
    MeshError
        If count and size disagree, a token is not what the grammar asks for,
        or a coordinate is not finite.
    """
    data = source.data
    count = struct.unpack_from("<I", data, 80)[0] if len(data) >= _HEADER else None
    if count is not None and len(data) == _HEADER + 50 * count:
        return _binary(source, count, ())
    if data.lstrip()[:5].lower() == b"solid" and _looks_like_text(data):
        return read_stl_text(source)
    if count is None:
        raise source.fault(f"neither ASCII nor binary STL: it has only {len(data)} bytes")
    spare = len(data) - (_HEADER + 50 * count)
    if count and 0 < spare <= _TRAILING and not _more_triangles(data, count):
        what = f"{spare} bytes follow the {count} triangles and were not read"
        return _binary(source, count, (note("trailing-bytes", what, warning=True),))
    raise source.fault(
        f"its header states {count} triangles ({_HEADER + 50 * count} bytes), "
        f"but the file has {len(data)} bytes",
        byte=80,
    )


def _looks_like_text(data: bytes) -> bool:
    head = data[:2000]
    return b"\0" not in head and (b"facet" in data[:4000].lower() or b"endsolid" in data.lower())


def _more_triangles(data: bytes, count: int) -> bool:
    """Whether what follows the stated triangles looks like one more of them."""
    end = _HEADER + 50 * count
    if len(data) < end + 50:
        return False
    records = widened(np.frombuffer(data, _RECORD, count=count + 1, offset=_HEADER)["corners"])
    stated, p = records[:count].reshape(-1, 3), records[count]
    if not np.isfinite(records).all():
        return False
    low, high = stated.min(axis=0), stated.max(axis=0)
    margin = (high - low).max()
    inside = ((p >= low - margin) & (p <= high + margin)).all()
    return bool(inside and np.cross(p[1] - p[0], p[2] - p[0]).any())


def _binary(source: Source, count: int, findings: tuple[Finding, ...]) -> RawMesh:
    if count == 0:
        raise source.fault("it holds no triangles", byte=80)
    records = np.frombuffer(source.data, _RECORD, count=count, offset=_HEADER)
    corners = np.ascontiguousarray(records["corners"]).reshape(-1, 3)
    finite = np.isfinite(corners)
    if not finite.all():
        triangle = int(np.argmin(finite)) // 9
        raise source.fault(
            f"triangle {triangle + 1} has a coordinate that is not finite",
            byte=_HEADER + 50 * triangle,
        )
    found = list(findings)
    header = source.data[:80].strip(b" \0")
    if header and any(c.isalpha() for c in header.decode("latin-1")):
        found.append(comment_note("header"))
    return RawMesh(corners, None, tuple(found))


def stl_bytes(vertices_mm: NDArray[np.float64], faces: NDArray[np.integer]) -> bytes:
    """Write a mesh as binary STL, in mm.

    Parameters
    ----------
    vertices_mm : (n, 3) ndarray
        Corners.
    faces : (m, 3) ndarray of int
        Triangles.

    Returns
    -------
    bytes
        With an empty header; coordinates in single precision.
    """
    corners = np.asarray(vertices_mm)[faces].astype("<f4")
    records = np.zeros(len(faces), _RECORD)
    wide = corners.astype(np.float64)
    normals = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    records["normal"] = normals / np.where(length > 0, length, 1.0)
    records["corners"] = corners
    return bytes(80) + struct.pack("<I", len(faces)) + records.tobytes()
