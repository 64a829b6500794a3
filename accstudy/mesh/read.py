"""A mesh file to a mesh, strictly: a fault is an error that names its place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from accstudy.geometry.units import UNIT_MM
from accstudy.mesh.clean import clean, triangle_digest
from accstudy.mesh.model import Mesh
from accstudy.mesh.obj import read_obj
from accstudy.mesh.ply import read_ply
from accstudy.mesh.raw import RawMesh
from accstudy.mesh.source import MAX_BYTES, Source, read_source
from accstudy.mesh.stl import read_stl, stl_bytes

__all__ = ["MAX_BYTES", "read_mesh", "stl_bytes", "triangle_digest"]

_READERS: dict[str, Callable[[Source], RawMesh]] = {
    "stl": read_stl,
    "ply": read_ply,
    "obj": read_obj,
}


def read_mesh(
    path: Path, *, length_unit: str = "mm", name: str | None = None, max_bytes: int = MAX_BYTES
) -> Mesh:
    """Read a mesh file.

    Parameters
    ----------
    path : Path
        STL (binary or ASCII), PLY or OBJ, or one of these with ``.gz``.
    length_unit : {"mm", "cm", "m", "inch"}
        Unit of the file, which itself states none.
    name : str, optional
        How messages call the file; its own name by default.
    max_bytes : int
        Bound on the unpacked size.

    Returns
    -------
    Mesh
        In mm; legal oddities are findings.

    Raises
    ------
    MeshError
        If the file cannot be read without guessing; never an empty mesh.
    """
    called = path.name if name is None else name
    source = read_source(path, name=called, max_bytes=max_bytes)
    raw = _READERS[source.kind](source)
    mesh = clean(raw, unit_mm=UNIT_MM[length_unit], name=called)
    return replace(mesh, findings=tuple(replace(f, where=called) for f in mesh.findings))
