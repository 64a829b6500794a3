"""PLY, ASCII and binary of both byte orders, by a strict reading."""

from __future__ import annotations

from array import array
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accstudy.mesh.model import (
    MAX_CORNERS,
    MAX_TRIANGLES,
    RawMesh,
    note,
    triangles_of,
    widened,
)
from accstudy.mesh.ply_text import (
    NO_POLYGONS,
    Element,
    Polygons,
    Tables,
    columns_of,
    index_of,
    read_ascii,
    read_header,
)
from accstudy.mesh.source import Source
from accstudy.words.catalogue import say

__all__ = ["read_ply"]

_LEAST_FACE = 4  # bytes: a length and three indices


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
