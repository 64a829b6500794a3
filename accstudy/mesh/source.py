"""Bytes of a mesh file, bounded before anything is read, with errors placed in it."""

from __future__ import annotations

import gzip
import stat
import zlib
from dataclasses import dataclass
from pathlib import Path

from accstudy.errors import MeshError, place

__all__ = ["MAX_BYTES", "Source", "read_source"]

MAX_BYTES = 1_000_000_000
"""Largest mesh file, unpacked; about ten million triangles as binary STL."""


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


def read_source(path: Path, *, name: str, max_bytes: int = MAX_BYTES) -> Source:
    """Read a mesh file, unpacking ``.gz`` within bounds.

    Parameters
    ----------
    path : Path
        A regular file named ``*.stl``, ``*.ply``, ``*.obj`` or one of these
        with ``.gz``.
    name : str
        How messages call it.
    max_bytes : int
        Bound on the unpacked size.

    Returns
    -------
    Source

    Raises
    ------
    MeshError
        If it is no regular file, empty, too large, of another kind, or not
        wholly packed.
    """
    suffixes = [s.lower() for s in path.suffixes]
    packed = bool(suffixes) and suffixes[-1] == ".gz"
    kind = (suffixes[-2] if packed and len(suffixes) > 1 else suffixes[-1] if suffixes else "")[1:]
    if kind not in ("stl", "ply", "obj"):
        raise MeshError(
            f'"{path.name}" is neither STL, PLY nor OBJ by its name',
            where=name,
            hint="name it .stl, .ply or .obj (or .gz of these) after what it holds",
        )
    try:
        info = path.stat()
        if not stat.S_ISREG(info.st_mode):
            raise MeshError("not a regular file", where=name)
        if info.st_size > max_bytes:
            raise _too_large(name, max_bytes)
        data = path.read_bytes()
    except OSError as error:
        raise MeshError(f"cannot be read: {error.strerror}", where=name) from None
    if packed:
        data = _unpack(data, name, max_bytes)
    if not data:
        raise MeshError("the file is empty", where=name, hint="export the scan again")
    return Source(name, kind, data)


def _too_large(name: str, max_bytes: int) -> MeshError:
    return MeshError(
        f"larger than {max_bytes / 1e6:.0f} MB", where=name, hint="export fewer triangles"
    )


def _unpack(data: bytes, name: str, max_bytes: int) -> bytes:
    """Unpack gzip members one after another, never more than the bound."""
    out = bytearray()
    rest = data
    while rest:
        engine = zlib.decompressobj(wbits=31)
        try:
            out += engine.decompress(rest, max_bytes + 1 - len(out))
        except (zlib.error, gzip.BadGzipFile) as error:
            raise MeshError(
                f"not readable as .gz: {error}", where=name, hint="pack the file again"
            ) from None
        if len(out) > max_bytes:
            raise _too_large(name, max_bytes)
        if not engine.eof:
            raise MeshError(
                "the .gz file ends too early", where=name, hint="copy or pack the file again"
            )
        rest = engine.unused_data
    return bytes(out)
