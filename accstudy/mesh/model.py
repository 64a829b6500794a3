"""A mesh file as bounded bytes and words; a mesh as it is used: its normals, areas and borders."""

from __future__ import annotations

import gzip
import io
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding, MeshError, Severity, place
from accstudy.words.catalogue import say

MAX_BYTES = 1_000_000_000
"""Largest mesh file, unpacked; about ten million triangles as binary STL."""


_RATIO, _FREE_BYTES = 10, 10_000_000
"""How many times its packed size a file may have; scans pack to a half or a fifth."""


@dataclass(frozen=True, slots=True)
class Source:
    """Content of a mesh file.

    Parameters
    ----------
    name : str
        How messages call the file.
    kind : str
        ``stl``, ``ply`` or ``obj``, from the name.
    data : bytes
        Unpacked content.
    """

    name: str
    kind: str
    data: bytes

    def fault(self, what: str, *, byte: int | None = None, line: int | None = None) -> MeshError:
        """Make the error for a fault at a byte or a line."""
        where = place(self.name, line) if line is not None else self.name
        if byte is not None:
            where = f"{self.name}, byte {byte}"
        return MeshError(what, where=where, hint="export the scan again")

    def line_of(self, byte: int) -> int:
        """Line, from 1, in which a byte of text stands."""
        mark = b"\n" if b"\n" in self.data else b"\r"
        return self.data.count(mark, 0, byte) + 1


_NUMBER_LIKE = re.compile(r"[0-9+\-.,/eE]{1,24}")


def quoted(word: bytes | str) -> str:
    """Quote a word of a file in a message, but only if it can be no name of a person."""
    text = word.decode("latin-1") if isinstance(word, bytes) else word
    return f'"{text}"' if _NUMBER_LIKE.fullmatch(text) else "other text"


def source_of(data: bytes, *, name: str, max_bytes: int = MAX_BYTES) -> Source:
    """Take the bytes of a mesh file, unpacking ``.gz`` within `max_bytes`.

    `name` is how messages call it: ``*.stl``, ``*.ply``, ``*.obj`` or one of these with ``.gz``.
    `MeshError` if it is empty, too large, of another kind, or not wholly packed.
    """
    suffixes = [s.lower() for s in PurePath(name).suffixes]
    packed = bool(suffixes) and suffixes[-1] == ".gz"
    kind = (suffixes[-2] if packed and len(suffixes) > 1 else suffixes[-1] if suffixes else "")[1:]
    if kind not in ("stl", "ply", "obj"):
        raise MeshError(
            f'"{PurePath(name).name}" is not named .stl, .ply or .obj',
            where=name,
            hint="name it .stl, .ply or .obj (or .gz of these) according to its content",
        )
    if packed:
        data = _unpack(data, name, max_bytes)
    if not data:
        raise MeshError("the file is empty", where=name, hint="export the scan again")
    if not (kind == "stl" and _is_binary_stl(data)):  # there the size decides, whatever it says
        _check_disguise(data, kind, name)
        data = data.removeprefix(b"\xef\xbb\xbf")
    return Source(name, kind, data)


def _too_large(name: str, max_bytes: int) -> MeshError:
    return MeshError(
        f"larger than {max_bytes / 1e6:.0f} MB", where=name, hint="export fewer triangles"
    )


def _unpack(data: bytes, name: str, max_bytes: int) -> bytes:
    """Unpack gzip members one after another, never more than the bound."""
    out = bytearray()
    packed_bound = max(_RATIO * len(data), _FREE_BYTES)
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as members:
            while part := members.read(1 << 20):
                out += part
                if len(out) > max_bytes:
                    raise _too_large(name, max_bytes)
                if len(out) > packed_bound:
                    raise MeshError(
                        f"it unpacks to more than {_RATIO} times its size, which no scan does",
                        where=name,
                        hint="unpack the file and use the unpacked one",
                    )
    except EOFError:
        raise MeshError(
            "the .gz file ends too early", where=name, hint="copy or compress the file again"
        ) from None
    except (zlib.error, gzip.BadGzipFile) as error:
        raise MeshError(
            f"not readable as .gz: {error}", where=name, hint="compress the file again"
        ) from None
    return bytes(out)


_MARKS = {
    b"\x1f\x8b": "packed data (.gz)",
    b"PK\x03\x04": "a .zip archive",
    b"\xff\xfe": "text in UTF-16",
    b"\xfe\xff": "text in UTF-16",
    b"ply\n": "PLY",
    b"ply\r": "PLY",
    b"<!doc": "a web page",
    b"<html": "a web page",
    b"<?xml": "XML",
    b"version https://git-lfs": "a pointer to a file in large file storage",
}


def _is_binary_stl(data: bytes) -> bool:
    return len(data) >= 84 and len(data) == 84 + 50 * struct.unpack_from("<I", data, 80)[0]


def _check_disguise(data: bytes, kind: str, name: str) -> None:
    """Say what a file is that is not what its name says."""
    head = data[:64].lstrip().lower()
    for mark, what in _MARKS.items():
        if head.startswith(mark.lower()) and what.lower() != kind:
            raise MeshError(
                f"it holds {what}, not {kind.upper()}",
                where=name,
                hint="name the file according to its content, or export the scan again",
            )


LONGEST_LINE = 100_000
"""Characters of a line of text."""

_BLOCK = 1 << 20
_SPACE = np.zeros(256, bool)
_SPACE[list(b" \t\n\v\f\r")] = True
_WHOLE = b"0123456789- \t\n\v\f\r"
_PLAIN = b"0123456789+-.eE \t\n\v\f\r"


class Words:
    """Where the words of a block of text (whole lines) begin.

    ``starts`` and ``lines`` hold the first byte of every word and line (and the end of the text),
    ``first`` and ``count`` the first word of every line and how many it has.
    """

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.bytes = np.frombuffer(text, np.uint8)
        space = _SPACE[self.bytes]
        begins = ~space
        begins[1:] &= space[:-1]
        self.starts = np.flatnonzero(begins)
        ends = np.flatnonzero(self.bytes == ord("\n")) + 1
        whole = len(ends) > 0 and int(ends[-1]) == len(text)
        self.lines = np.array([0, *([] if whole else [len(text)])], np.int64)
        self.lines = np.insert(self.lines, 1, ends)
        at = np.searchsorted(self.starts, self.lines)
        self.first, self.count = at[:-1], np.diff(at)


def blocks(source: Source, at: int = 0, *, joined: bool = False) -> Iterator[tuple[int, int]]:
    """Part a text, from byte `at` on, into blocks of whole lines: first byte and end of each.

    `joined`: a line that ends in a backslash goes on in the next. `MeshError` at a line that is
    longer than `LONGEST_LINE`.
    """
    data = source.data
    while at < len(data):
        least = end = at + _BLOCK - 1
        while end == least or (joined and data[end - 3 : end].rstrip(b"\r\n")[-1:] == b"\\"):
            end = data.find(b"\n", end) + 1 or len(data)
            if end - least > LONGEST_LINE + 2:
                raise too_long(source, data.rfind(b"\n", at, least) + 1 or at)
            if end == len(data):
                break
        yield at, end
        at = end


def too_long(source: Source, byte: int) -> MeshError:
    """Make the error for a line without end."""
    what = f"a line has more than {LONGEST_LINE} characters"
    return source.fault(what, line=source.data.count(b"\n", 0, byte) + 1)


def numbers(text: bytes, count: int, *, whole: bool = False) -> NDArray[Any] | None:
    """Read `count` words as numbers, all of them whole if asked; None if one is no number."""
    if not count:
        return np.empty(0, np.int64 if whole else np.float64)
    if not text.translate(None, _WHOLE if whole else _PLAIN):
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what cannot be read to its end is only warned of
            try:
                found = np.fromstring(text, np.int64 if whole else np.float64, sep=" ")
            except (DeprecationWarning, ValueError):
                return None
        return found if len(found) == count else None  # "1-2" would be two numbers
    if whole or b"_" in text:
        return None
    try:
        return np.array(list(map(float, text.split())))  # infinite, or none
    except ValueError:
        return None


MAX_TRIANGLES = 20_000_000
"""Largest mesh; sixty times a dense scan of a jaw, some gigabytes of memory."""

MAX_CORNERS = 10_000
"""Corners of a polygon."""

_EACH, _SPARE = 4, 10_000
"""Triangles a corner; a closed surface has two, and four if each is listed twice."""


@dataclass(frozen=True, slots=True)
class RawMesh:
    """What a format's reader hands on: finite corners in the file's unit, as precise as the file
    has them.

    ``faces`` are corner indices; None when every three corners are a triangle. ``findings``: what
    is legal but odd.
    """

    corners: NDArray[np.floating[Any]]
    faces: NDArray[np.int64] | None
    findings: tuple[Finding, ...] = ()


def note(code: str, what: str, mend: str = "", *, warning: bool = False) -> Finding:
    """Make a note or a warning about a mesh; the file is named later."""
    return Finding(Severity.WARNING if warning else Severity.NOTE, code, what, "", mend)


def comment_note(kind: str) -> Finding:
    """Note that a file contains text that could name a person; the text itself is not kept."""
    return note(
        "comment",
        say("mesh.holds_text", kind=kind),
        say("mesh.names_no_patient"),
    )


def triangles_of(
    source: Source, indices: NDArray[np.int64], counts: NDArray[np.int64], corners: int
) -> NDArray[np.int64]:
    """Part polygons into triangles, each from its first corner.

    `indices` are the corners of all polygons, one after another, `counts` how many each has (three
    or more). `MeshError` if there are none, far more than a surface on these corners has, or a
    polygon names a corner that there is not.
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

    def part(self, faces: NDArray[np.int32]) -> Mesh:
        """Only these triangles and the corners that they use."""
        used, index = np.unique(faces, return_inverse=True)
        return Mesh(self.vertices_mm[used], index.reshape(-1, 3).astype(np.int32))


Floats = NDArray[np.float64]


def area_vectors(mesh: Mesh) -> Floats:
    """Normals of the triangles, (m, 3), as long as their areas in mm2."""
    return cross_and_spread(mesh.vertices_mm, mesh.faces)[0]


def cross_and_spread(vertices: Floats, faces: NDArray[np.integer]) -> tuple[Floats, Floats]:
    """Area vectors of triangles, (m, 3), and the sum of squares of two sides, (m,).

    Each column of the vectors lies in one piece of memory.
    """
    corner = [np.ascontiguousarray(faces[:, k]) for k in range(3)]
    u, v = np.empty((2, 3, len(faces)))
    for k in range(3):
        column = np.ascontiguousarray(vertices[:, k])
        first = column.take(corner[0])
        np.subtract(column.take(corner[1]), first, out=u[k])
        np.subtract(column.take(corner[2]), first, out=v[k])
    out = np.empty((3, len(faces)))
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.multiply(u[i], v[j], out=out[k])
        out[k] -= u[j] * v[i]
    out *= 0.5
    u *= u
    v *= v
    return out.T, u.sum(axis=0) + v.sum(axis=0)


def vertex_normals(faces: NDArray[np.int32], vectors: Floats, n_vertices: int) -> Floats:
    """Unit normals of vertices, (n, 3): the mean of their triangles' normals, weighted by area.

    `vectors` are as long as the areas (`area_vectors`). Zero where a vertex has no triangle with an
    area.
    """
    index = faces.T.ravel()
    sums = [np.bincount(index, np.tile(vectors[:, k], 3), minlength=n_vertices) for k in range(3)]
    total = np.column_stack(sums).astype(np.float64)  # counts of nothing are whole numbers
    total /= np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
    return total


def vertex_areas(faces: NDArray[np.int32], vectors: Floats, n_vertices: int) -> Floats:
    """A third of the area around each vertex, (n,), mm2; parameters as `vertex_normals`."""
    third = np.tile(np.linalg.norm(vectors, axis=1) / 3, 3)
    return np.asarray(np.bincount(faces.T.ravel(), third, minlength=n_vertices), np.float64)


def border_sides(mesh: Mesh) -> NDArray[np.bool_]:
    """Which sides of the triangles are on an open border of the surface.

    Parameters
    ----------
    mesh : Mesh
        The surface.

    Returns
    -------
    (m, 3) ndarray of bool
        Side k is the one opposite corner k; True where no other triangle has it.
    """
    n = np.int64(len(mesh.vertices_mm))
    a, b, c = mesh.faces.T.astype(np.int64)
    keys = np.stack([np.minimum(p, q) * n + np.maximum(p, q) for p, q in ((b, c), (c, a), (a, b))])
    flat = keys.ravel()
    order = np.argsort(flat, kind="stable")
    ranked = flat[order]
    same = ranked[1:] == ranked[:-1]
    single = np.ones(len(flat), bool)
    single[1:] &= ~same
    single[:-1] &= ~same
    out = np.empty(len(flat), bool)
    out[order] = single
    return out.reshape(3, -1).T
