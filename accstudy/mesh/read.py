"""A mesh file to a mesh, strictly: a fault is an error that names its place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from accstudy.errors import MeshError
from accstudy.geometry.units import UNIT_MM
from accstudy.mesh.clean import clean, triangle_digest
from accstudy.mesh.model import Mesh, RawMesh
from accstudy.mesh.obj import read_obj
from accstudy.mesh.ply import read_ply
from accstudy.mesh.source import MAX_BYTES, Source, source_of
from accstudy.mesh.stl import read_stl, stl_bytes
from accstudy.study.disk import read_bytes
from accstudy.study.files import Files

__all__ = ["MAX_BYTES", "mesh_of", "read_mesh", "study_mesh", "stl_bytes", "triangle_digest"]

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
    length_unit : {"mm", "cm", "m", "inch", "um"}
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
    data = read_bytes(path, file=called, max_bytes=max_bytes, fault=MeshError)
    return mesh_of(data, length_unit=length_unit, name=called, max_bytes=max_bytes)


def study_mesh(files: Files, file: str, *, length_unit: str) -> Mesh:
    """Read a mesh that a study names, as `read_mesh` does; its digest is kept."""
    data = files.read(file, max_bytes=MAX_BYTES, fault=MeshError)
    return mesh_of(data, length_unit=length_unit, name=file)


def mesh_of(data: bytes, *, length_unit: str = "mm", name: str, max_bytes: int = MAX_BYTES) -> Mesh:
    """Read the bytes of a mesh file, as `read_mesh` does."""
    source = source_of(data, name=name, max_bytes=max_bytes)
    raw = _READERS[source.kind](source)
    mesh = clean(raw, unit_mm=UNIT_MM[length_unit], name=name)
    return replace(mesh, findings=tuple(replace(f, where=name) for f in mesh.findings))
