"""PLY, ASCII and binary of both byte orders, by a strict reading."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.raw import (
    LONGEST_LINE,
    MAX_CORNERS,
    MAX_TRIANGLES,
    RawMesh,
    comment_note,
    fan,
    note,
    widened,
)
from accstudy.mesh.source import Source, quoted

__all__ = ["read_ply"]

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_FACE_LISTS = ("vertex_indices", "vertex_index")
_MAX_HEADER_LINES = 10_000
_LEAST_FACE = 4  # bytes: a length and three indices


@dataclass(slots=True)
class _Property:
    name: str
    kind: str
    count_kind: str = ""  # of a list


@dataclass(slots=True)
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)

    @property
    def label(self) -> str:
        """Name for messages; one that is not the format's own could name a person."""
        return self.name if self.name in ("vertex", "face", "edge") else "another element"

    @property
    def has_list(self) -> bool:
        return any(p.count_kind for p in self.properties)


def read_ply(source: Source) -> RawMesh:
    """Read a PLY file.

    Parameters
    ----------
    source : Source
        Its bytes. Properties are found by name, in any order and type;
        polygons are parted into fans.

    Returns
    -------
    RawMesh

    Raises
    ------
    MeshError
        If the header is not PLY's, counts exceed the bytes that follow,
        coordinates are not finite, or indices point nowhere.
    """
    form, elements, start, findings = _header(source)
    names = [e.name for e in elements]
    for name in ("vertex", "face"):
        if names.count(name) != 1:
            raise source.fault(f'the header names element "{name}" {names.count(name)} times')
    if form == "":
        tables, end = _read_ascii(source, elements, start)
        rest = source.data[end:].strip()
    else:
        tables, end = _read_binary(source, elements, start, form)
        rest = source.data[end:]
    if rest.strip(b"\0 \r\n\t\x1a") and len(rest) >= (_LEAST_FACE if form else 1):
        raise source.fault(
            f"{len(rest)} bytes follow what the header states: rows would be lost", byte=end
        )
    if rest:
        what = f"{len(rest)} bytes follow the last element and were not read"
        findings.append(note("trailing-bytes", what, warning=True))
    corners, polygons = tables
    if not len(corners):
        raise source.fault("it holds no corners")
    finite = np.isfinite(corners).all(axis=1)
    if not finite.all():
        raise source.fault(f"corner {int(np.argmin(finite)) + 1} is not finite")
    faces = _faces(source, polygons, len(corners))
    return RawMesh(corners, faces, tuple(findings))


def _header(source: Source) -> tuple[str, list[_Element], int, list[Finding]]:
    data = source.data
    form: str | None = None
    elements: list[_Element] = []
    findings: list[Finding] = []
    at = 0
    for line in range(1, _MAX_HEADER_LINES):
        end = data.find(b"\n", at)
        if end < 0 or end - at > 5000:
            raise source.fault("the header has no end", line=line)
        words = data[at:end].decode("latin-1").split()
        at = end + 1
        if line == 1:
            if words != ["ply"]:
                raise source.fault('a PLY file begins with "ply"', line=1)
        elif not words:
            raise source.fault("an empty line in the header", line=line)
        elif words[0] in ("comment", "obj_info"):
            if len(words) > 1 and not findings:
                findings.append(comment_note("comment"))
        elif words[0] == "end_header":
            if form is None:
                raise source.fault("the header names no format", line=line)
            return form, elements, at, findings
        else:
            form = _header_line(source, words, line, form, elements)
    raise source.fault("the header has no end")


def _header_line(
    source: Source, words: list[str], line: int, form: str | None, elements: list[_Element]
) -> str | None:
    match words:
        case ["format", name, "1.0"] if name in _FORMATS and form is None:
            return _FORMATS[name]
        case ["element", name, count] if count.isdecimal() and count.isascii():
            if int(count) > len(source.data):
                raise source.fault(
                    f"it states {count[:20]} rows, more than the file has bytes",
                    line=line,
                )
            elements.append(_Element(name, int(count)))
        case ["property", kind, name] if kind in _TYPES and elements:
            elements[-1].properties.append(_Property(name, _TYPES[kind]))
        case ["property", "list", count_kind, kind, name] if (
            count_kind in _TYPES and kind in _TYPES and elements
        ):
            if _TYPES[count_kind][0] == "f":
                raise source.fault("the length of a list cannot be a float", line=line)
            elements[-1].properties.append(_Property(name, _TYPES[kind], _TYPES[count_kind]))
        case _:
            raise source.fault("this is no line of a PLY header", line=line)
    if elements:
        names = [p.name for p in elements[-1].properties]
        if len(set(names)) != len(names):
            raise source.fault("this property name occurs twice", line=line)
    return form


_Tables = tuple[NDArray[np.float64], NDArray[np.int64]]  # corners; polygons of one size


def _columns_of(source: Source, element: _Element) -> list[int]:
    names = [p.name for p in element.properties]
    for name in "xyz":
        if name not in names or element.properties[names.index(name)].count_kind:
            raise source.fault(f"the corners have no {name}")
    return [names.index(name) for name in "xyz"]


def _index_of(source: Source, element: _Element) -> int:
    for i, prop in enumerate(element.properties):
        if prop.name in _FACE_LISTS:
            if not prop.count_kind or prop.kind[0] == "f":
                raise source.fault("the faces' corner indices are no list of integers")
            return i
    raise source.fault("the faces have no corner indices")


def _read_binary(
    source: Source, elements: list[_Element], at: int, order: str
) -> tuple[_Tables, int]:
    corners = np.empty((0, 3))
    polygons = np.empty((0, 3), np.int64)
    for element in elements:
        if element.name == "face":
            _index_of(source, element)
        if element.has_list:
            found, at = _binary_lists(source, element, at, order)
            if element.name == "vertex":
                raise source.fault("lists among the properties of corners are not read")
            if element.name == "face":
                polygons = found
            continue
        kinds = np.dtype([(p.name, order + p.kind) for p in element.properties])
        size = kinds.itemsize * element.count
        if size > len(source.data) - at:
            raise source.fault(
                f"{element.count} of element {element.label} need {size} bytes, "
                f"{len(source.data) - at} are left: the file was cut off",
                byte=at,
            )
        if element.name == "vertex":
            _columns_of(source, element)
            rows = np.frombuffer(source.data, kinds, element.count, at)
            corners = np.column_stack([widened(rows[c]) for c in "xyz"])
        at += size
    return (corners, polygons), at


def _binary_lists(
    source: Source, element: _Element, at: int, order: str
) -> tuple[NDArray[np.int64], int]:
    """Read rows with lists: at once where every list has the same length, else row by row."""
    wanted = _index_of(source, element) if element.name == "face" else -1
    quick = _equal_lists(source, element, at, order)
    if quick is not None:
        rows, end = quick
        if wanted < 0:
            return np.empty((0, 3), np.int64), end
        return rows[f"{wanted}"].astype(np.int64), end
    data, out = source.data, array("q")
    parts = [
        (order + p.count_kind if p.count_kind else "", np.dtype(order + p.kind))
        for p in element.properties
    ]
    for row in range(element.count):
        for i, (count_kind, kind) in enumerate(parts):
            length = 1
            if count_kind:
                count_type = np.dtype(count_kind)
                if at + count_type.itemsize > len(data):
                    raise source.fault(f"face {row + 1} is cut off", byte=at)
                length = int(np.frombuffer(data, count_type, 1, at)[0])
                at += count_type.itemsize
            size = length * kind.itemsize
            if length < 0 or size > len(data) - at:
                what = f"row {row + 1} of {element.label} states {length} entries; the file ends"
                raise source.fault(what, byte=at)
            if i == wanted:
                if length < 3:
                    raise source.fault(f"face {row + 1} has {length} corners", byte=at)
                if length > MAX_CORNERS:
                    raise source.fault(f"face {row + 1} has {length} corners", byte=at)
                if len(out) > 3 * MAX_TRIANGLES:
                    raise source.fault("it has more triangles than are read", byte=at)
                fan(np.frombuffer(data, kind, length, at).tolist(), out)
            at += size
    return np.array(out, np.int64).reshape(-1, 3), at


def _equal_lists(
    source: Source, element: _Element, at: int, order: str
) -> tuple[NDArray[np.void], int] | None:
    """Rows as one array if all their lists are as long as those of the first row."""
    fields: list[tuple[str, str] | tuple[str, str, int]] = []
    probe = at
    for i, prop in enumerate(element.properties):
        if not prop.count_kind:
            fields.append((f"{i}", order + prop.kind))
            probe += np.dtype(prop.kind).itemsize
            continue
        count_type = np.dtype(order + prop.count_kind)
        if probe + count_type.itemsize > len(source.data):
            return None
        length = int(np.frombuffer(source.data, count_type, 1, probe)[0])
        if not 0 < length < 256:
            return None
        fields.append((f"{i}#", order + prop.count_kind))
        fields.append((f"{i}", order + prop.kind, length))
        probe += count_type.itemsize + length * np.dtype(prop.kind).itemsize
    kinds = np.dtype([f if len(f) == 2 else (f[0], f[1], (f[2],)) for f in fields])
    end = at + kinds.itemsize * element.count
    if end > len(source.data):
        return None
    rows = np.frombuffer(source.data, kinds, element.count, at)
    for i, prop in enumerate(element.properties):
        if prop.count_kind and len(rows):
            counts = rows[f"{i}#"]
            if not (counts == counts[0]).all():
                return None
    return rows, end


def _read_ascii(source: Source, elements: list[_Element], at: int) -> tuple[_Tables, int]:
    lines = _lines(source, at)
    corners, triangles = array("d"), array("q")
    end = at
    for element in elements:
        columns = _columns_of(source, element) if element.name == "vertex" else []
        wanted = _index_of(source, element) if element.name == "face" else -1
        for row in range(element.count):
            try:
                words, number, end = next(lines)
            except StopIteration:
                raise source.fault(
                    f"it ends after {row} of {element.count} of element {element.label}"
                ) from None
            values = _ascii_row(source, element, words, number)
            if columns:
                corner = [float(values[c][0]) for c in columns]
                if not np.isfinite(corner).all():  # other properties may be anything
                    raise source.fault("a coordinate is not finite", line=number)
                corners.extend(corner)
            if wanted >= 0:
                polygon = [int(i) for i in values[wanted]]
                if len(polygon) < 3:
                    raise source.fault(f"a face has {len(polygon)} corners", line=number)
                fan(polygon, triangles)
    faces = np.array(triangles, np.int64).reshape(-1, 3)
    return (np.array(corners).reshape(-1, 3), faces), end


def _lines(source: Source, at: int) -> Iterator[tuple[list[bytes], int, int]]:
    """Lines that are not blank, with their number and the byte after them."""
    data = source.data
    number = data[:at].count(b"\n")
    while at < len(data):
        end = data.find(b"\n", at)
        end = len(data) if end < 0 else end + 1
        number += 1
        if end - at > LONGEST_LINE:
            raise source.fault(f"a line has more than {LONGEST_LINE} characters", line=number)
        words = data[at:end].split()
        at = end
        if words:
            yield words, number, end


def _ascii_row(
    source: Source, element: _Element, words: list[bytes], line: int
) -> list[list[float] | list[int]]:
    out: list[list[float] | list[int]] = []
    at = 0
    for prop in element.properties:
        length = 1
        if prop.count_kind:
            length = _whole(source, words[at : at + 1], line)
            at += 1
        cells = words[at : at + length]
        if len(cells) != length or length < 0:
            raise source.fault(f"a row of {element.label} is too short", line=line)
        at += length
        if prop.kind[0] == "f":
            out.append([_real(source, cell, line) for cell in cells])
        else:
            out.append([_whole(source, [cell], line) for cell in cells])
    if at != len(words):
        raise source.fault(f"a row of {element.label} is too long", line=line)
    return out


def _whole(source: Source, cells: list[bytes], line: int) -> int:
    cell = cells[0] if cells else b""
    if not cell.removeprefix(b"-").isdigit() or len(cell) > 18:
        raise source.fault(f"{quoted(cell)} is not a whole number", line=line)
    return int(cell)


def _real(source: Source, cell: bytes, line: int) -> float:
    try:
        value = float(cell) if b"_" not in cell else None
    except ValueError:
        value = None
    if value is None:
        raise source.fault(f"{quoted(cell)} is not a number", line=line)
    return value


def _faces(source: Source, polygons: NDArray[np.int64], corners: int) -> NDArray[np.int64]:
    if polygons.shape[1] < 3:
        raise source.fault(f"face 1 has {polygons.shape[1]} corners")
    later = range(1, polygons.shape[1] - 1)
    faces = np.stack([polygons[:, [0, i, i + 1]] for i in later], axis=1).reshape(-1, 3)
    if not len(faces):
        raise source.fault("it holds corners but no faces: a point cloud is not read")
    bad = (faces < 0) | (faces >= corners)
    if bad.any():
        row = int(np.argmax(bad.any(axis=1)))
        raise source.fault(f"triangle {row + 1} names a corner that there is not")
    return faces
