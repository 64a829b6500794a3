"""Wavefront OBJ, the geometry only, by a strict reading."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.model import MAX_CORNERS, RawMesh, comment_note, triangles_of
from accstudy.mesh.source import LONGEST_LINE, Source, Words, blocks, numbers, quoted, too_long

_IGNORED = (
    *("vn", "vt", "vp", "g", "o", "s", "mtllib", "usemtl"),
    *("l", "p", "usemap", "maplib", "bevel"),
)
"""Statements that do not change the triangles."""

_NAMING = ("g", "o", "mtllib", "usemtl", "usemap", "maplib")

_JOIN = re.compile(rb"\\\r*\n")
_COMMENT = re.compile(rb"#[^\n]*")
_NOTE = re.compile(rb"#[^\n]*?[A-Za-z\xaa\xb5\xba\xc0-\xd6\xd8-\xf6\xf8-\xff]")
_TEXTURE = re.compile(rb"/\S*")
_DIGITS = 15


def _code(word: str) -> int:
    return int.from_bytes(word.encode(), "little")


_V, _F = _code("v"), _code("f")
_KNOWN = np.array([_code(word) for word in ("v", "f", *_IGNORED)], np.uint64)
_NAMES = np.array([_code(word) for word in _NAMING], np.uint64)


@dataclass
class _Found:
    """What was read so far."""

    points: list[NDArray[np.float64]] = field(default_factory=list)
    indices: list[NDArray[np.int64]] = field(default_factory=list)
    counts: list[NDArray[np.int64]] = field(default_factory=list)
    corners: int = 0
    findings: list[Finding] = field(default_factory=list)


def read_obj(source: Source) -> RawMesh:
    """Read an OBJ file; `MeshError` where it is not OBJ's, not finite, or an index points nowhere.

    Corners may carry colours or a weight of 1; polygons are parted into fans; relative indices
    count back from the face.
    """
    found, line = _Found(), 0
    for at, end in blocks(source, joined=True):
        text = source.data[at:end]
        if not _block(text, found):
            _refuse(source, text, line, found.corners)
        line += text.count(b"\n")
    if not found.corners or not found.counts:
        raise source.fault("it holds no faces")
    indices, counts = np.concatenate(found.indices), np.concatenate(found.counts)
    faces = triangles_of(source, indices, counts, found.corners)
    return RawMesh(np.concatenate(found.points), faces, tuple(found.findings))


def _block(text: bytes, found: _Found) -> bool:
    """Read whole lines at once; False if any of them is not as it must be."""
    if b"\\" in text:
        text = _JOIN.sub(b" ", text)
    commented = _NOTE.search(text) if not found.findings and b"#" in text else None
    if b"#" in text:
        text = _COMMENT.sub(lambda m: b" " * len(m[0]), text)
    words = Words(text)
    if np.diff(words.lines).max(initial=0) > LONGEST_LINE:
        return False
    filled = np.flatnonzero(words.count)
    if not len(filled):
        _note(found, commented.start() if commented else -1, -1)
        return True
    starts = words.starts[words.first[filled]]
    codes = _codes(words.bytes, starts)
    if not np.isin(codes, _KNOWN).all():
        return False
    named = starts[np.isin(codes, _NAMES) & (words.count[filled] > 1)]
    _note(found, commented.start() if commented else -1, int(named[0]) if len(named) else -1)
    is_v, is_f = codes == _V, codes == _F
    before = found.corners + np.cumsum(is_v)
    return _corners(words, filled[is_v], found) and _polygons(
        words, filled[is_f], before[is_f], found
    )


def _codes(data: NDArray[np.uint8], starts: NDArray[np.intp]) -> NDArray[np.uint64]:
    """Words of up to seven letters as numbers; longer ones are no statement."""
    padded = np.r_[data, np.full(8, ord(" "), np.uint8)]
    out = np.zeros(len(starts), np.uint64)
    open_ = np.ones(len(starts), bool)
    for k in range(8):
        byte = padded[starts + k]
        open_ &= byte > ord(" ")
        out |= np.where(open_, byte, 0).astype(np.uint64) << np.uint64(8 * k)
    return out


def _note(found: _Found, comment: int, name: int) -> None:
    """Note the first text that could name a person."""
    if not found.findings and max(comment, name) >= 0:
        is_comment = comment >= 0 and (name < 0 or comment < name)
        found.findings.append(comment_note("comment" if is_comment else "names"))


def _arguments(words: Words, rows: NDArray[np.intp]) -> bytes:
    """Some lines without their first letter."""
    edges = np.zeros(len(words.text) + 1, np.int8)
    edges[words.starts[words.first[rows]] + 1] += 1
    edges[words.lines[rows + 1]] -= 1
    wanted = np.cumsum(edges[:-1], dtype=np.int8).view(bool)
    return bytes(words.bytes[wanted])


def _corners(words: Words, rows: NDArray[np.intp], found: _Found) -> bool:
    count = words.count[rows] - 1
    if not np.isin(count, (3, 4, 6, 7)).all():
        return False
    values = numbers(_arguments(words, rows), int(count.sum()))
    if values is None:
        return False
    first = np.cumsum(count) - count
    points = values[first[:, None] + np.arange(3)]
    if not np.isfinite(points).all() or (values[first[count == 4] + 3] != 1.0).any():
        return False
    found.points.append(points)
    found.corners += len(points)
    return True


def _polygons(
    words: Words, rows: NDArray[np.intp], before: NDArray[np.int64], found: _Found
) -> bool:
    count = words.count[rows] - 1
    if ((count < 3) | (count > MAX_CORNERS)).any():
        return False
    text = _arguments(words, rows)
    if b"/" in text:
        text = _TEXTURE.sub(b"", text)
    values = numbers(text, int(count.sum()), whole=True)
    if values is None:
        return False
    indices = np.where(values > 0, values - 1, np.repeat(before, count) + values)
    if (values == 0).any() or (np.abs(values) >= 10**_DIGITS).any() or (indices < 0).any():
        return False
    if len(rows):
        found.indices.append(indices)
        found.counts.append(count.astype(np.int64))
    return True


def _refuse(source: Source, text: bytes, line: int, corners: int) -> None:
    """Raise the error of the first line that is wrong."""
    held, first = "", 0
    for number, raw in enumerate(text.split(b"\n"), start=line + 1):
        first = first or number
        if len(raw) + len(held) > LONGEST_LINE:
            raise too_long(source, first)
        bare = raw.decode("latin-1").rstrip("\r")
        if bare.endswith("\\"):
            held += bare[:-1] + " "
            continue
        words = (held + bare).partition("#")[0].encode("latin-1").split()
        if words and words[0] == b"v":
            _refuse_corner(source, words[1:], first)
            corners += 1
        elif words and words[0] == b"f":
            _refuse_polygon(source, words[1:], first, corners)
        elif words and words[0].decode("latin-1") not in _IGNORED:
            raise source.fault(f"{quoted(words[0])} begins no line of an OBJ file", line=first)
        held, first = "", 0
    raise source.fault("its lines cannot be read", line=line + 1)


def _refuse_corner(source: Source, words: list[bytes], line: int) -> None:
    if len(words) not in (3, 4, 6, 7):
        raise source.fault(f"a corner has {len(words)} numbers", line=line)
    values = numbers(b" ".join(words), len(words))
    if values is None:
        raise source.fault("a corner is not made of numbers", line=line)
    if not np.isfinite(values[:3]).all():
        raise source.fault("a corner is not finite", line=line)
    if len(values) == 4 and values[3] != 1.0:
        raise source.fault("corners with a weight other than 1 are not read", line=line)


def _refuse_polygon(source: Source, words: list[bytes], line: int, corners: int) -> None:
    if not 3 <= len(words) <= MAX_CORNERS:
        raise source.fault(f"a face has {len(words)} corners", line=line)
    for word in words:
        first = word.split(b"/", 1)[0]
        if not first.removeprefix(b"-").isdigit() or len(first) > _DIGITS:
            raise source.fault(f"{quoted(word)} is no corner of a face", line=line)
        index = int(first)
        if index == 0 or corners + index < 0:
            raise source.fault(f"{quoted(word)} names a corner that there is not", line=line)
