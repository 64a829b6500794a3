"""The scan list of a study that has no rows yet: read, proposed from files, written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from accstudy.errors import InputError
from accstudy.plan.listing import Proposal, ScanFile, propose_scans
from accstudy.study.paths import resolve
from accstudy.study.record import write_files
from accstudy.study.settings import Settings
from accstudy.study.sheet import read_sheet
from accstudy.study.toml import read_settings
from accstudy.tables import csv_bytes

__all__ = ["list_scans", "models_of", "rows_of_list", "write_list"]

_MESHES = (".stl", ".ply", ".obj", ".stl.gz", ".ply.gz", ".obj.gz")


def rows_of_list(path: Path, settings: Settings, *, allow_outside: bool = False) -> int:
    """Number of rows of the scan list; 0 where it is not there yet."""
    file = settings.scans.list
    full = resolve(path, file, allow_outside=allow_outside)
    return len(read_sheet(full, file=file).rows) if full.is_file() else 0


def models_of(path: Path, settings: Settings) -> tuple[str, ...]:
    """Models that the reference names, or none."""
    ours = settings.reference
    if ours.model:
        return (ours.model,)
    file = ours.touch_points or ours.implants
    full = path / file
    if not full.is_file():
        return ()
    sheet = read_sheet(full, file=file)
    column = ours.columns.get("model", "model")
    if column not in sheet.header:
        return ()
    at = sheet.header.index(column)
    return tuple(dict.fromkeys(row[at] for row in sheet.rows if row[at]))


def write_list(path: Path, settings: Settings, scans: pd.DataFrame) -> Path:
    """Write the scan list of a study that has no rows yet.

    Parameters
    ----------
    path : Path
        Study folder.
    settings : Settings
        Of the study.
    scans : DataFrame
        Table ``scans`` with its factor columns.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If it has rows already, or is no CSV file.
    """
    full = resolve(path, settings.scans.list)
    if n := rows_of_list(path, settings):
        raise InputError(f"{settings.scans.list} has {n} rows already; it is left as it is",
                         hint="delete its rows first, and keep its header")  # fmt: skip
    if full.suffix.lower() != ".csv":
        raise InputError(f"{settings.scans.list} is no CSV file",
                         hint='name one in study.toml: scans.list = "scans.csv"')  # fmt: skip
    data = csv_bytes("scans", scans, factors=tuple(scans.columns))
    return write_files(full.parent, {full.name: data})[0]


def list_scans(folder: Path, *, model: str = "", same: Mapping[str, str] | None = None) -> Proposal:
    """Propose rows of the scan list for the mesh files of a folder.

    Parameters
    ----------
    folder : Path
        A study folder, whose ``scans`` is read, or any folder with mesh files.
    model : str, optional
        The model they show; by default the one of the study's reference, if it
        has one only.
    same : mapping of str to str, optional
        Factor columns that are the same for all.

    Returns
    -------
    Proposal
        Files relative to the study folder; for a folder outside any study,
        relative to the folder's parent.

    Raises
    ------
    InputError
        If there are no mesh files.
    """
    study = folder if (folder / "study.toml").is_file() else folder.resolve().parent
    meshes = folder / "scans" if study == folder else folder
    wanted: tuple[str, ...] = ()
    if (study / "study.toml").is_file():
        settings = read_settings(study / "study.toml")
        wanted = (*(settings.analysis.condition or ()), *(settings.analysis.cell or ()))
        models = () if model else models_of(study, settings)
        model = models[0] if len(models) == 1 else model
    found = sorted(p for p in meshes.rglob("*") if p.name.lower().endswith(_MESHES))
    files = [
        ScanFile(
            p.resolve().relative_to(study.resolve()).as_posix(),
            dt.datetime.fromtimestamp(p.stat().st_mtime),
        )
        for p in found
        if p.is_file()
    ]
    return propose_scans(files, model=model, same=same, wanted=wanted)
