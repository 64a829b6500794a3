"""Wavefront OBJ, the geometry only, by a strict reading."""

from __future__ import annotations

import io
import itertools
import re
from array import array
from collections.abc import Iterable, Iterator

import numpy as np

from accstudy.errors import Finding
from accstudy.mesh.raw import LONGEST_LINE, RawMesh, comment_note, fan
from accstudy.mesh.source import Source, quoted

__all__ = ["read_obj"]

_IGNORED = frozenset(
    ("vn", "vt", "vp", "g", "o", "s", "mtllib", "usemtl", "l", "p", "usemap", "maplib", "bevel")
)
"""Statements that do not change the triangles."""

_PLAIN = (b"v ", b"f ")
_NO_CORNERS = re.compile(rb"[^v0-9+\-.eE \r\n]")
_NO_TRIANGLES = re.compile(rb"[^f0-9/ \r\n]")
_TEXTURE = re.compile(rb"/[0-9/]*")
_BLOCK = 20_000

_NAMING = frozenset(("g", "o", "mtllib", "usemtl", "usemap", "maplib"))


def read_obj(source: Source) -> RawMesh:
    """Read an OBJ file.

    Parameters
    ----------
    source : Source
        Its bytes. Corners may carry colours or a weight of 1; polygons are
        parted into fans; relative indices count back from the face.

    Returns
    -------
    RawMesh

    Raises
    ------
    MeshError
        If a line is not OBJ's, a number is not finite, or an index points
        nowhere.
    """
    corners, faces = array("d"), array("q")  # compact: a large file must not fill the memory
    findings: list[Finding] = []
    for number, line in _lines(source, corners, faces):
        text, mark, comment = line.partition("#")
        if mark and not findings and any(c.isalpha() for c in comment):
            findings.append(comment_note("comment"))
        words = text.split()
        if not words:
            continue
        word = words[0]
        if word == "v":
            corners.extend(_corner(source, words[1:], number))
        elif word == "f":
            fan(_polygon(source, words[1:], number, len(corners) // 3), faces)
        elif word not in _IGNORED:
            raise source.fault(f"{quoted(word)} begins no line of an OBJ file", line=number)
        elif word in _NAMING and len(words) > 1 and not findings:
            findings.append(comment_note("names"))
    if not corners or not faces:
        raise source.fault("it holds no faces")
    indices = np.array(faces, dtype=np.int64).reshape(-1, 3)
    points = np.array(corners).reshape(-1, 3)
    beyond = (indices >= len(points)).any(axis=1)
    if beyond.any():
        row = int(np.argmax(beyond))
        raise source.fault(f"triangle {row + 1} names a corner that there is not")
    return RawMesh(points, indices, tuple(findings))


def _lines(source: Source, corners: array[float], faces: array[int]) -> Iterator[tuple[int, str]]:
    """Lines with their numbers, but for plain corners and triangles, which are kept in blocks.

    A line that ends in a backslash goes on in the next.
    """
    stream, number = io.BytesIO(source.data), 0
    joined = b"\\" in source.data
    held, first = "", 0
    while block := list(itertools.islice(stream, _BLOCK)):
        rest: Iterable[tuple[int, bytes]] = enumerate(block, start=number + 1)
        number += len(block)
        if not joined and _kept(block, corners, faces):
            rest = ((n, raw) for n, raw in rest if raw[:2] not in _PLAIN)
        for n, raw in rest:
            first = first or n
            if len(raw) + len(held) > LONGEST_LINE:
                raise source.fault(f"a line has more than {LONGEST_LINE} characters", line=first)
            bare = raw.decode("latin-1").rstrip("\r\n")
            if bare.endswith("\\"):
                held += bare[:-1] + " "
                continue
            yield first, held + bare
            held, first = "", 0
    if held:
        yield first, held


def _kept(block: list[bytes], corners: array[float], faces: array[int]) -> bool:
    """Keep the corners and triangles of a block; False, and nothing kept, where one is not plain.

    The order of the two does not matter, since plain triangles count from the first corner.
    """
    words = [b"".join(line for line in block if line[:2] == mark) for mark in _PLAIN]
    if _NO_CORNERS.search(words[0]) or _NO_TRIANGLES.search(words[1]):
        return False
    points = words[0].split()
    triples = _TEXTURE.sub(b"", words[1]).split()
    if len(points) % 4 or len(triples) % 4:
        return False
    if points[::4].count(b"v") * 4 != len(points) or triples[::4].count(b"f") * 4 != len(triples):
        return False
    del points[::4], triples[::4]
    try:
        found = np.array([float(w) for w in points])
        indices = np.array([int(w) for w in triples], dtype=np.int64)
    except (ValueError, OverflowError):
        return False
    if not np.isfinite(found).all() or (indices < 1).any():
        return False
    corners.frombytes(found.tobytes())
    faces.frombytes((indices - 1).tobytes())
    return True


def _corner(source: Source, words: list[str], line: int) -> tuple[float, float, float]:
    if len(words) not in (3, 4, 6, 7):
        raise source.fault(f"a corner has {len(words)} numbers", line=line)
    try:
        if any("_" in w for w in words):
            raise ValueError
        values = [float(w) for w in words]
    except ValueError:
        raise source.fault("a corner is not made of numbers", line=line) from None
    if not all(np.isfinite(values[:3])):
        raise source.fault("a corner is not finite", line=line)
    if len(values) == 4 and values[3] != 1.0:
        raise source.fault("corners with a weight other than 1 are not read", line=line)
    return values[0], values[1], values[2]


def _polygon(source: Source, words: list[str], line: int, corners: int) -> list[int]:
    if len(words) < 3:
        raise source.fault(f"a face has {len(words)} corners", line=line)
    out = []
    for word in words:
        first = word.split("/", 1)[0]
        if not first.removeprefix("-").isdecimal() or len(first) > 15 or not first.isascii():
            raise source.fault(f"{quoted(word)} is no corner of a face", line=line)
        index = int(first)
        resolved = index - 1 if index > 0 else corners + index
        if index == 0 or resolved < 0:
            raise source.fault(f"{quoted(word)} names a corner that there is not", line=line)
        out.append(resolved)
    return out
