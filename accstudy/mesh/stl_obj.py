"""STL, binary and ASCII, read and written; the geometry of Wavefront OBJ, by a strict reading."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.model import (
    LONGEST_LINE,
    MAX_CORNERS,
    Mesh,
    RawMesh,
    Source,
    Words,
    blocks,
    comment_note,
    note,
    numbers,
    quoted,
    too_long,
    triangles_of,
    widened,
)
from accstudy.words.catalogue import say

_BLOCK = 1 << 22
_FACET = (
    *(b"facet", b"normal", b"", b"", b"", b"outer", b"loop"),
    *(b"vertex", b"", b"", b"") * 3,
    *(b"endloop", b"endfacet"),
)  # an empty word stands for a number
_CORNERS = (8, 9, 10, 12, 13, 14, 16, 17, 18)
_SOLID = re.compile(rb"\s*solid(?!\S)([^\r\n]*?)(?=\bfacet\s+normal\b|[\r\n]|\Z)", re.IGNORECASE)
_END = re.compile(rb"endsolid(?!\S)[^\r\n]*", re.IGNORECASE)
_STOP = re.compile(rb"endsolid", re.IGNORECASE)
_NOTHING = re.compile(rb"[\0\x1a \r\n\t]*\Z")
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?")
_ANY_NORMAL = re.compile(rb"[+-]?(nan|inf|nan\(ind\)|1\.#\w+)")


def _read_stl_text(source: Source) -> RawMesh:
    """Read ASCII STL: any spacing, either case, several solids."""
    data, at = source.data, 0
    facets: list[NDArray[np.float64]] = []
    findings: list[Finding] = []
    named = False
    while True:
        head = _SOLID.match(data, at)
        if head is None:
            raise source.fault('"solid" is expected here', line=source.line_of(_word(data, at)))
        named = named or bool(head[1].strip())
        at = _facets(source, head.end(), facets)
        end = _END.match(data, at)
        if end is None:
            raise source.fault('"endsolid" is expected here', line=source.line_of(at))
        at = end.end()
        if _NOTHING.match(data, at):
            rest = data[at:].strip()
            if rest:
                what = say("mesh.bytes_without_meaning", n=len(rest))
                findings.append(note("trailing-bytes", what))
            break
    corners = np.concatenate(facets) if facets else np.empty((0, 3))
    if not len(corners):
        raise source.fault("it holds no triangles")
    if named:
        findings.append(comment_note("name of the solid"))
    return RawMesh(corners, None, tuple(findings))


def _facets(source: Source, at: int, facets: list[NDArray[np.float64]]) -> int:
    """Read triangles up to ``endsolid``; return where it stands."""
    data = source.data
    while True:
        end = _STOP.search(data, at, at + _BLOCK)
        block = data[at : end.start() if end else at + _BLOCK].lower()
        if not end:
            stop = block.rfind(b"endfacet")
            if stop < 0:
                _word_by_word(source, at, block, whole=False)
                raise source.fault(
                    "the file ends before endsolid: it was cut off", line=source.line_of(len(data))
                )
            block = block[: stop + len(b"endfacet")]
        if block.strip():
            quick = _quick(block)
            facets.append(_word_by_word(source, at, block) if quick is None else quick)
        at += len(block)
        if end:
            return at


def _quick(block: bytes) -> NDArray[np.float64] | None:
    """Corners of a faultless block; None if anything about it is unusual."""
    words = block.split()
    count, spare = divmod(len(words), len(_FACET))
    if spare or b"_" in block:
        return None
    if any(w and words[k :: len(_FACET)].count(w) != count for k, w in enumerate(_FACET)):
        return None
    normals = {word for k in (2, 3, 4) for word in words[k :: len(_FACET)]}
    if not all(_NUMBER.fullmatch(word) or _ANY_NORMAL.fullmatch(word) for word in normals):
        return None
    try:
        columns = [np.array(list(map(float, words[k :: len(_FACET)]))) for k in _CORNERS]
    except ValueError:
        return None
    corners = np.stack(columns, axis=1).reshape(-1, 3)
    return corners if np.isfinite(corners).all() else None


def _word_by_word(
    source: Source, at: int, block: bytes, *, whole: bool = True
) -> NDArray[np.float64]:
    """Read a block against the grammar; the error is placed at the first wrong word."""
    numbers: list[float] = []
    k = 0
    for found in re.finditer(rb"\S+", block):
        word, wanted = found[0], _FACET[k]
        if wanted and word != wanted:
            told = f"found {quoted(word)} where {wanted.decode()} is expected"
            raise source.fault(told, line=source.line_of(at + found.start()))
        if not wanted and not _NUMBER.fullmatch(word):
            if k > 4 or not _ANY_NORMAL.fullmatch(word):  # normals are computed anew
                told = f"found {quoted(word)} where a number is expected"
                raise source.fault(told, line=source.line_of(at + found.start()))
        elif k in _CORNERS:
            numbers.append(float(word))
            if not np.isfinite(numbers[-1]):
                told = f"{quoted(word)} is too large a number"
                raise source.fault(told, line=source.line_of(at + found.start()))
        k = (k + 1) % len(_FACET)
    if whole and k:
        told = f"a triangle ends where {_FACET[k].decode() or 'a number'} is expected"
        raise source.fault(told, line=source.line_of(at + len(block)))
    return np.array(numbers[: len(numbers) // 9 * 9]).reshape(-1, 3)


def _word(data: bytes, at: int) -> int:
    """Where the next word begins."""
    while at < len(data) and data[at : at + 1].isspace():
        at += 1
    return at


_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84
_TRAILING = 4096


def read_stl(source: Source) -> RawMesh:
    """Read an STL file; `MeshError` where count and size disagree, or a token or number is not
    STL's.

    ``84 + 50 n == size`` decides that it is binary, whatever its first bytes say; a binary file may
    have a few bytes more at its end.
    """
    data = source.data
    count = struct.unpack_from("<I", data, 80)[0] if len(data) >= _HEADER else None
    if count is not None and len(data) == _HEADER + 50 * count:
        return _binary(source, count, ())
    if data.lstrip()[:5].lower() == b"solid" and _looks_like_text(data):
        return _read_stl_text(source)
    if count is None:
        raise source.fault(f"neither ASCII nor binary STL: it has only {len(data)} bytes")
    spare = len(data) - (_HEADER + 50 * count)
    if count and 0 < spare <= _TRAILING and not _more_triangles(data, count):
        what = say("mesh.bytes_after_triangles", n=spare, count=count)
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


_STL_TRIANGLE = np.dtype(
    [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
)  # 50 bytes, not padded


def stl_bytes(mesh: Mesh, *, title: str = "", decimals: int | None = 3) -> bytes:
    """Write a mesh as binary STL, coordinates rounded first (3 decimals: 1 um).

    Normals are zero, which means that they follow from the corners; this packs better. `title` has
    80 ASCII characters at most.
    """
    points = mesh.vertices_mm if decimals is None else np.round(mesh.vertices_mm, decimals)
    records = np.zeros(len(mesh.faces), _STL_TRIANGLE)
    records["corners"] = (points + 0.0)[mesh.faces]  # + 0.0 turns -0 into 0
    header = title.encode("ascii")[:80].ljust(80, b" ")
    return header + len(records).to_bytes(4, "little") + records.tobytes()


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
