"""STL, binary and ASCII, by a strict reading."""

from __future__ import annotations

import re
import struct

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.raw import RawMesh, comment_note, note
from accstudy.mesh.source import Source

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
        return _ascii(source)
    if count is None:
        raise source.fault(f"neither ASCII nor binary STL: it has only {len(data)} bytes")
    spare = len(data) - (_HEADER + 50 * count)
    if count and 0 < spare <= _TRAILING:
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


def _binary(source: Source, count: int, findings: tuple[Finding, ...]) -> RawMesh:
    if count == 0:
        raise source.fault("it holds no triangles", byte=80)
    records = np.frombuffer(source.data, _RECORD, count=count, offset=_HEADER)
    corners = records["corners"].reshape(-1, 3).astype(np.float64)
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


def _ascii(source: Source) -> RawMesh:
    text = source.data.decode("latin-1")  # names may be in any script; the grammar is ASCII
    lines = text.split("\n")
    corners: list[list[float]] = []
    findings: list[Finding] = []
    state, named = "solid", False
    expected = {
        "solid": ("solid",),
        "facet": ("facet", "endsolid"),
        "outer": ("outer",),
        "vertex0": ("vertex",),
        "vertex1": ("vertex",),
        "vertex2": ("vertex",),
        "endloop": ("endloop",),
        "endfacet": ("endfacet",),
        "next": ("solid",),
    }
    follows = {
        "outer": "vertex0",
        "vertex0": "vertex1",
        "vertex1": "vertex2",
        "vertex2": "endloop",
        "endloop": "endfacet",
        "endfacet": "facet",
    }
    for number, line in enumerate(lines, start=1):
        words = line.split()
        if not words:
            continue
        word = words[0].lower()
        if word not in expected[state]:
            wanted = " or ".join(expected[state])
            raise source.fault(f'"{words[0][:20]}" stands where {wanted} must', line=number)
        if word == "solid":
            named = named or len(words) > 1
            state = "facet"
        elif word == "endsolid":
            state = "next"
        elif word == "facet":
            _numbers(source, words[2:], number, "normal", words[1:2])
            state = "outer"
        elif state.startswith("vertex"):
            corners.append(_numbers(source, words[1:], number, "vertex", ["vertex"]))
            state = follows[state]
        else:
            if len(words) != (2 if word == "outer" else 1) or (
                word == "outer" and words[1].lower() != "loop"
            ):
                raise source.fault(f'"{line.strip()[:40]}" is not STL', line=number)
            state = follows[state]
    if state != "next":
        raise source.fault("the file ends before endsolid: it was cut off", line=len(lines))
    if not corners:
        raise source.fault("it holds no triangles")
    if named:
        findings.append(comment_note("name of the solid"))
    return RawMesh(np.array(corners), None, tuple(findings))


_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def _numbers(
    source: Source, words: list[str], line: int, what: str, keyword: list[str]
) -> list[float]:
    if [k.lower() for k in keyword] != [what]:
        raise source.fault(f"{what} is missing", line=line)
    if len(words) != 3:
        raise source.fault(f"{what} has {len(words)} numbers, not 3", line=line)
    out = []
    for word in words:
        if what == "normal" and word.lower().strip("+-") in ("nan", "inf", "nan(ind)", "1.#ind"):
            out.append(0.0)  # normals are computed anew; writers put anything there
            continue
        if not _NUMBER.fullmatch(word):
            raise source.fault(f'"{word[:20]}" is not a number', line=line)
        value = float(word)
        if not np.isfinite(value):
            raise source.fault(f'"{word[:20]}" is too large a number', line=line)
        out.append(value)
    return out


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
