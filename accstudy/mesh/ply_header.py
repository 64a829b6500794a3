"""Header of a PLY file: its elements, their rows and properties."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.raw import comment_note
from accstudy.mesh.source import Source

__all__ = [
    "NO_POLYGONS",
    "Element",
    "Polygons",
    "Property",
    "Tables",
    "columns_of",
    "index_of",
    "read_header",
]

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
    """What a row holds: a number, or a list of them."""

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
