"""PLY, ASCII and binary of both byte orders, by a strict reading."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.model import (
    LONGEST_LINE,
    MAX_CORNERS,
    MAX_TRIANGLES,
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

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_FACE_LISTS = ("vertex_indices", "vertex_index")
_MAX_HEADER_LINES = 10_000
Polygons = tuple[NDArray[np.int64], NDArray[np.int64]]  # all their corners; how many each has
Tables = tuple[NDArray[np.float64], Polygons]
NO_POLYGONS = (np.empty(0, np.int64), np.empty(0, np.int64))


@dataclass(slots=True)
class Property:
    """Content of a row: a number, or a list of them."""

    name: str
    kind: str
    count_kind: str = ""  # of a list


@dataclass(slots=True)
class Element:
    """Rows of one kind."""

    name: str
    count: int
    properties: list[Property] = field(default_factory=list)
    names: set[str] = field(default_factory=set)

    @property
    def label(self) -> str:
        """Name for messages; one that is not the format's own could name a person."""
        return self.name if self.name in ("vertex", "face", "edge") else "another element"

    @property
    def has_list(self) -> bool:
        """Whether its rows may differ in length."""
        return any(p.count_kind for p in self.properties)


def read_header(source: Source) -> tuple[str, list[Element], int, list[Finding]]:
    """Byte order (empty for ASCII), elements, where the rows begin, and what is odd."""
    data = source.data
    form: str | None = None
    elements: list[Element] = []
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
    source: Source, words: list[str], line: int, form: str | None, elements: list[Element]
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
            elements.append(Element(name, int(count)))
        case ["property", kind, name] if kind in _TYPES and elements:
            _add(source, elements[-1], Property(name, _TYPES[kind]), line)
        case ["property", "list", count_kind, kind, name] if (
            count_kind in _TYPES and kind in _TYPES and elements
        ):
            if _TYPES[count_kind][0] == "f":
                raise source.fault("the length of a list cannot be a float", line=line)
            _add(source, elements[-1], Property(name, _TYPES[kind], _TYPES[count_kind]), line)
        case _:
            raise source.fault("this is no line of a PLY header", line=line)
    return form


def _add(source: Source, element: Element, prop: Property, line: int) -> None:
    if prop.name in element.names:
        raise source.fault("this property name occurs twice", line=line)
    element.names.add(prop.name)
    element.properties.append(prop)


def columns_of(source: Source, element: Element) -> list[int]:
    """Which properties of corners are x, y and z."""
    names = [p.name for p in element.properties]
    for name in "xyz":
        if name not in names or element.properties[names.index(name)].count_kind:
            raise source.fault(f"the corners have no {name}")
    return [names.index(name) for name in "xyz"]


def index_of(source: Source, element: Element) -> int:
    """Which property of faces lists their corners."""
    for i, prop in enumerate(element.properties):
        if prop.name in _FACE_LISTS:
            if not prop.count_kind or prop.kind[0] == "f":
                raise source.fault("the faces' corner indices are no list of integers")
            return i
    raise source.fault("the faces have no corner indices")


def read_ascii(source: Source, elements: list[Element], at: int) -> tuple[Tables, int]:
    """Corners, polygons, and where the rows end; `at` is where they begin."""
    corners: list[NDArray[np.float64]] = [np.empty((0, 3))]
    polygons: list[Polygons] = [NO_POLYGONS]
    for element in elements:
        if element.name in ("vertex", "face"):
            (columns_of if element.name == "vertex" else index_of)(source, element)
    todo = [element for element in elements if element.count]
    done, line, end = 0, source.data.count(b"\n", 0, at), at
    lines = blocks(source, at)
    while todo:
        start, stop = next(lines, (-1, -1))
        if start < 0:
            label = todo[0].label
            raise source.fault(f"it ends after {done} of {todo[0].count} of element {label}")
        words = Words(source.data[start:stop])
        if np.diff(words.lines).max() > LONGEST_LINE:
            raise too_long(source, start + int(words.lines[np.argmax(np.diff(words.lines))]))
        filled = np.flatnonzero(words.count)
        while todo and len(filled):
            element = todo[0]
            rows, filled = np.split(filled, [element.count - done])
            done += len(rows)
            part = _Part(source, element, words, rows, line)
            if element.name == "vertex":
                corners.append(part.corners())
            else:
                polygons.append(part.polygons())
            end = start + int(words.lines[rows[-1] + 1])
            if done == element.count:
                todo, done = todo[1:], 0
        line += len(words.count)
    indices, counts = (np.concatenate(parts) for parts in zip(*polygons, strict=True))
    return (np.concatenate(corners), (indices, counts)), end


class _Part:
    """Rows of an element in a block of text; the first that is wrong is an error."""

    def __init__(
        self, source: Source, element: Element, words: Words, rows: NDArray[np.intp], line: int
    ) -> None:
        self.source, self.element, self.words = source, element, words
        self.rows, self.line = rows, line
        self.counts = words.count[rows]
        self.text = words.text[words.lines[rows[0]] : words.lines[rows[-1] + 1]]

    def _numbers(self) -> NDArray[np.float64]:
        whole = all(p.kind[0] != "f" for p in self.element.properties)
        found = numbers(self.text, int(self.counts.sum()), whole=whole)
        return self._refused() if found is None else found

    def _refused(self) -> NDArray[np.float64]:
        """Raise the error of the first row that is not as the header states."""
        for row in self.rows:
            line = self.words.text[self.words.lines[row] : self.words.lines[row + 1]]
            _ascii_row(self.source, self.element, line.split(), self.line + int(row) + 1)
        raise self.source.fault(f"a row of {self.element.label} cannot be read")

    def corners(self) -> NDArray[np.float64]:
        """Coordinates, (n, 3)."""
        columns = columns_of(self.source, self.element)
        if self.element.has_list:
            raise self.source.fault("lists among the properties of corners are not read")
        if (self.counts != len(self.element.properties)).any():
            self._refused()
        table = self._numbers().reshape(len(self.rows), -1)
        found = table[:, columns].astype(np.float64)
        finite = np.isfinite(found).all(axis=1)
        if not finite.all():  # other properties may be anything
            row = int(self.rows[np.argmin(finite)])
            raise self.source.fault("a coordinate is not finite", line=self.line + row + 1)
        return found

    def polygons(self) -> Polygons:
        """Corners of the faces; nothing of other elements, which are only looked at."""
        wanted = index_of(self.source, self.element) if self.element.name == "face" else -1
        if not self.element.has_list and (self.counts != len(self.element.properties)).any():
            self._refused()
        values = self._numbers()
        end = np.cumsum(self.counts)
        at, out = end - self.counts, NO_POLYGONS
        for i, prop in enumerate(self.element.properties):
            if (at >= end).any():
                self._refused()
            if not prop.count_kind:
                at = at + 1
                continue
            length = values[at]
            if not ((length >= 0) & (length < end - at) & (length == np.floor(length))).all():
                self._refused()
            length = length.astype(np.int64)
            if i == wanted:
                odd = (length < 3) | (length > MAX_CORNERS)
                if odd.any():
                    k = int(np.argmax(odd))
                    what = f"a face has {length[k]} corners"
                    raise self.source.fault(what, line=self.line + int(self.rows[k]) + 1)
                first = np.repeat(at + 1 - (np.cumsum(length) - length), length)
                found = values[first + np.arange(len(first))]
                if not (np.abs(found) < 2**53).all() or (found != np.floor(found)).any():
                    self._refused()
                out = (found.astype(np.int64), length)
            at = at + 1 + length
        if (at != end).any():
            self._refused()
        return out


def _ascii_row(
    source: Source, element: Element, words: list[bytes], line: int
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


_LEAST_FACE = 4  # bytes: a length and three indices


def read_ply(source: Source) -> RawMesh:
    """Read a PLY file; properties are found by name, in any order and type, polygons parted into
    fans.

    `MeshError` if the header is not PLY's, counts exceed the bytes that follow, coordinates are not
    finite, or indices point nowhere.
    """
    form, elements, start, findings = read_header(source)
    names = [e.name for e in elements]
    for name in ("vertex", "face"):
        if names.count(name) != 1:
            raise source.fault(f'the header names element "{name}" {names.count(name)} times')
    if form == "":
        tables, end = read_ascii(source, elements, start)
        rest = source.data[end:].strip()
    else:
        tables, end = _read_binary(source, elements, start, form)
        rest = source.data[end:]
    if rest.strip(b"\0 \r\n\t\x1a") and len(rest) >= (_LEAST_FACE if form else 1):
        raise source.fault(
            f"{len(rest)} bytes follow what the header states: rows would be lost", byte=end
        )
    if rest:
        what = say("mesh.bytes_after_the_last", n=len(rest))
        findings.append(note("trailing-bytes", what, warning=True))
    corners, polygons = tables
    if not len(corners):
        raise source.fault("it holds no corners")
    finite = np.isfinite(corners).all(axis=1)
    if not finite.all():
        raise source.fault(f"corner {int(np.argmin(finite)) + 1} is not finite")
    faces = triangles_of(source, *polygons, len(corners))
    return RawMesh(corners, faces, tuple(findings))


def _read_binary(
    source: Source, elements: list[Element], at: int, order: str
) -> tuple[Tables, int]:
    corners = np.empty((0, 3))
    polygons = NO_POLYGONS
    for element in elements:
        if element.name == "face":
            index_of(source, element)
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
            columns_of(source, element)
            rows = np.frombuffer(source.data, kinds, element.count, at)
            corners = np.column_stack([widened(rows[c]) for c in "xyz"])
        at += size
    return (corners, polygons), at


def _binary_lists(source: Source, element: Element, at: int, order: str) -> tuple[Polygons, int]:
    """Read rows with lists: at once where every list has the same length, else row by row."""
    wanted = index_of(source, element) if element.name == "face" else -1
    quick = _equal_lists(source, element, at, order)
    if quick is not None:
        rows, end = quick
        if wanted < 0:
            return NO_POLYGONS, end
        found = rows[f"{wanted}"].astype(np.int64)
        counts = np.full(len(found), found.shape[1])
        starts = np.zeros(0, np.int64)
        indices = found.ravel()
    else:
        starts, counts, end = _walked(source, element, at, order, wanted)
        if wanted < 0:
            return NO_POLYGONS, end
        kind = np.dtype(order + element.properties[wanted].kind)
        each = np.repeat(starts - (np.cumsum(counts) - counts) * kind.itemsize, counts)
        places = each + np.arange(len(each)) * kind.itemsize
        raw = np.frombuffer(source.data, np.uint8)
        parts = np.stack([raw[places + k] for k in range(kind.itemsize)], axis=1)
        indices = np.ascontiguousarray(parts).view(kind).ravel().astype(np.int64)
    odd = (counts < 3) | (counts > MAX_CORNERS)
    if odd.any():
        row = int(np.argmax(odd))
        byte = int(starts[row]) if len(starts) else at
        raise source.fault(f"face {row + 1} has {counts[row]} corners", byte=byte)
    return (indices, counts), end


def _walked(
    source: Source, element: Element, at: int, order: str, wanted: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """Where the wanted list of every row begins, how long it is, and where the rows end."""
    data, size = source.data, len(source.data)
    byteorder: Literal["little", "big"] = "big" if order == ">" else "little"
    parts = []  # bytes of the length, whether it has a sign, bytes of an entry, whether wanted
    for i, p in enumerate(element.properties):
        width = np.dtype(p.count_kind).itemsize if p.count_kind else 0
        parts.append((width, p.count_kind[:1] == "i", np.dtype(p.kind).itemsize, i == wanted))
    starts, counts, triangles = array("q"), array("q"), 0
    for row in range(element.count):
        for width, signed, each, mine in parts:
            if not width:
                at += each
                continue
            if width == 1 and not signed and at < size:
                length = data[at]
            else:
                length = int.from_bytes(data[at : at + width], byteorder, signed=signed)
            at += width
            if at > size:
                raise source.fault(f"{element.label} {row + 1} is cut off", byte=at - width)
            if length < 0 or length * each > size - at:
                what = f"row {row + 1} of {element.label} states {length} entries; the file ends"
                raise source.fault(what, byte=at)
            if mine:
                starts.append(at)
                counts.append(length)
                triangles += length
            at += length * each
        if at > size:
            raise source.fault(f"{element.label} {row + 1} is cut off", byte=size)
        if triangles > 3 * MAX_TRIANGLES:
            raise source.fault("it has more triangles than are read", byte=at)
    return np.array(starts, np.int64), np.array(counts, np.int64), at


def _equal_lists(
    source: Source, element: Element, at: int, order: str
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
