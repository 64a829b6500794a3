"""Files of an invented study: the same bytes from the same numbers, all or nothing."""

from __future__ import annotations

import gzip
import io
import shutil
import tempfile
from collections.abc import Mapping
from importlib.resources import files as packaged
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.errors import InputError
from accstudy.mesh.model import Mesh

__all__ = [
    "FACTORS",
    "check_target",
    "gzip_bytes",
    "plain_csv",
    "settings",
    "stl_bytes",
    "write_folder",
]

FACTORS = (
    "device",
    "software",
    "technique",
    "operator",
    "session",
    "repeat",
    "measured_at",
    "reseated",
    "body_uses",
)
"""Factor columns of the invented scan lists, in their order; a study has those it needs."""

_KEPT = ("results", "reports", ".accstudy")

_STL_TRIANGLE = np.dtype(
    [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
)  # 50 bytes, not padded


def settings(kind: str) -> bytes:
    """File study.toml of the simulated study of a kind."""
    return packaged("accstudy.simulate").joinpath(f"{kind}.toml").read_bytes()


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


def gzip_bytes(data: bytes) -> bytes:
    """Pack without name, time or system, so that equal data give equal bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile("", "wb", compresslevel=6, fileobj=buffer, mtime=0) as packed:
        packed.write(data)
    return buffer.getvalue()


def plain_csv(frame: pd.DataFrame) -> bytes:
    """Write a table of the truth as CSV, numbers to 1e-6."""
    out = frame.copy()
    for column in out.select_dtypes("float"):
        out[column] = out[column].map(lambda v: f"{v + 0.0:.6f}".rstrip("0").rstrip("."))
    return out.to_csv(index=False, lineterminator="\n").encode()


def write_folder(folder: Path, files: Mapping[str, bytes], *, replace: bool = False) -> Path:
    """Write a folder whole, or not at all: beside it first, then renamed.

    `files` maps relative paths with ``/`` to content. With `replace` a folder that holds nothing
    but such files may be written anew; its ``results`` and ``reports`` stay. `InputError` if the
    folder holds anything that would be lost.
    """
    check_target(folder, files, replace=replace)
    folder.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    try:
        new = work / "new"
        for name, content in files.items():
            target = new / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        if folder.exists():
            for kept in _KEPT:
                if (folder / kept).exists():
                    shutil.copytree(folder / kept, new / kept)
            folder.rename(work / "old")
        new.rename(folder)
    finally:
        if not folder.exists() and (work / "old").exists():
            (work / "old").rename(folder)
        shutil.rmtree(work)
    return folder


def check_target(
    folder: Path, files: Mapping[str, bytes] | None = None, *, replace: bool = False
) -> None:
    """See that nothing would be lost if a folder were written; see `write_folder`.

    Raises
    ------
    InputError
        If something would.
    """
    if not folder.exists():
        return
    if not folder.is_dir():
        raise InputError(f'"{folder}" is a file', hint="name a folder that does not exist yet")
    there = [p for p in folder.rglob("*") if not p.is_dir()]
    names = [p.relative_to(folder).as_posix() for p in there]
    lost = [n for n in names if n not in (files or {}) and n.split("/")[0] not in _KEPT]
    if names and not replace:
        raise InputError(
            f'folder "{folder}" is not empty', hint="name a folder that does not exist yet"
        )
    if lost:
        raise InputError(
            f'folder "{folder}" holds "{sorted(lost)[0]}", which is not one of the files to be '
            "written",
            hint="move it away, or name another folder",
        )
