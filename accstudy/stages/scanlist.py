"""The scan list: rows proposed from files, and added at its end."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from accstudy.errors import InputError
from accstudy.plan.listing import Proposal, ScanFile, propose_scans
from accstudy.study.disk import write_files
from accstudy.study.exported import Said, named_sheet
from accstudy.study.files import resolve
from accstudy.study.header import Layout, read_sheet
from accstudy.study.settings import Settings
from accstudy.study.sheet import Sheet, csv_dialect
from accstudy.study.toml import read_settings
from accstudy.tables import csv_bytes

__all__ = [
    "MESHES",
    "append_list",
    "appended",
    "list_scans",
    "mesh_files",
    "models_of",
    "rows_of_list",
    "sheet_of_list",
    "study_of",
]

MESHES = (".stl", ".ply", ".obj", ".stl.gz", ".ply.gz", ".obj.gz")


def mesh_files(folder: Path) -> list[Path]:
    """Mesh files below a folder, by their names.

    Raises
    ------
    InputError
        If a name cannot be written into a list, which is UTF-8.
    """
    found = sorted(p for p in folder.rglob("*") if p.name.lower().endswith(MESHES))
    for path in found:
        try:
            str(path).encode()
        except UnicodeEncodeError:
            shown = ascii(path.name)
            raise InputError(
                f"the name of a file is not UTF-8: {shown}", hint="give the file another name"
            ) from None
    return found


def sheet_of_list(full: Path, settings: Settings) -> Sheet:
    """Rows of the scan list by their names here."""
    ours = settings.scans
    return named_sheet(full, "scans", ours, file=ours.list, said=Said("scans"))


def rows_of_list(path: Path, settings: Settings) -> int:
    """Number of rows of the scan list; 0 where it is not there yet."""
    file = settings.scans.list
    full = resolve(path, file, allow_outside=False)
    return len(sheet_of_list(full, settings).rows) if full.is_file() else 0


def models_of(path: Path, settings: Settings) -> tuple[str, ...]:
    """Models that the reference names, or none."""
    ours = settings.reference
    if ours.model:
        return (ours.model,)
    file = (ours.touch_points or ours.implants) if ours.kind != "none" else ours.sketch
    if ours.runs and ours.kind != "none":
        found = sorted(path.glob(ours.runs)) or [path / file]
        file = found[0].relative_to(path).as_posix()
    full = path / file
    if not file or not full.is_file():
        return ()
    table = "touch_points" if ours.touch_points else "implants"
    sheet = named_sheet(full, table, ours, file=file, said=Said("reference"))
    if "model" not in sheet.header:
        return ()
    at = sheet.header.index("model")
    return tuple(dict.fromkeys(row[at] for row in sheet.rows if row[at]))


def append_list(path: Path, settings: Settings, scans: pd.DataFrame) -> Path:
    """Add rows of table ``scans`` at the end of the scan list; what stood in it is the same bytes
    as before.

    `InputError` if it is no CSV file, lacks a column, or has a scan of that name already.
    """
    file = settings.scans.list
    full = resolve(path, file)
    table = csv_bytes("scans", scans, factors=tuple(scans.columns)).decode()
    rows = list(csv.DictReader(io.StringIO(table, newline="")))
    sheet = sheet_of_list(full, settings) if rows_of_list(path, settings) else None
    if sheet is not None and "scan" in sheet.header:
        at = sheet.header.index("scan")
        both = {row[at] for row in sheet.rows} & {row["scan"] for row in rows}
        if both:
            raise InputError(
                f'{file} already has a scan "{sorted(both)[0]}"', where=file,
                hint="give the new session a unique name",
            )  # fmt: skip
    return write_files(
        full.parent, {full.name: appended(full, rows, file=file, layout=settings.scans)}
    )[0]


def study_of(folder: Path) -> Path:
    """The study that a folder is, or lies in, at any depth; its parent if there is none."""
    full = folder.resolve()
    return next((p for p in (full, *full.parents) if (p / "study.toml").is_file()), full.parent)


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
    study = study_of(folder)
    full = folder.resolve()
    meshes = full / "scans" if study == full else full
    wanted: tuple[str, ...] = ()
    listed: set[str] = set()
    known: list[str] = []
    if (study / "study.toml").is_file():
        settings = read_settings(study / "study.toml")
        wanted = (*(settings.analysis.condition or ()), *(settings.analysis.cell or ()))
        models = () if model else models_of(study, settings)
        model = models[0] if len(models) == 1 else model
        if rows_of_list(study, settings):
            sheet = sheet_of_list(resolve(study, settings.scans.list), settings)
            rows = [dict(zip(sheet.header, row, strict=True)) for row in sheet.rows]
            listed = {row.get("file", "") for row in rows}
            known = [row.get("scan", "") for row in rows]
    found = mesh_files(meshes)
    files = [
        ScanFile(
            p.relative_to(study).as_posix(),  # a link by its own name, wherever it leads
            dt.datetime.fromtimestamp(p.stat().st_mtime),
        )
        for p in found
        if p.is_file()
    ]
    new = [f for f in files if f.path not in listed]
    if files and not new:
        raise InputError(
            f"all {len(files)} mesh files there are already listed",
            hint="put the files of this session there, or name another folder",
        )
    proposal = propose_scans(new, model=model, same=same, wanted=wanted, known=known)
    if len(new) < len(files):
        said = f"{len(files) - len(new)} files are already listed and were left out"
        proposal = replace(proposal, notes=(said, *proposal.notes))
    return proposal


def appended(path: Path, rows: Sequence[Mapping[str, str]], *, file: str, layout: Layout) -> bytes:
    """Content of a CSV file with rows more: its bytes, and the new rows in its encoding and ends.

    Columns that the file has and a row has not stay empty; `layout` tells where the table lies in
    the file. `InputError` if it is no CSV file, its rows are put together from several, or it has
    rows and lacks a column that a new one fills.
    """
    if path.suffix.lower() not in (".csv", ".tsv", ".txt"):
        raise InputError(
            f"{file} is not a CSV file; rows cannot be added to it",
            where=file,
            hint='save it as CSV UTF-8 and name that: scans.list = "scans.csv"',
        )
    if any("{" in name for name in layout.columns.values()):
        raise InputError(
            f"{file} does not have one row per scan; rows cannot be added to it",
            where=file,
            hint="add the rows by hand, like the others",
        )
    rows = [{layout.columns.get(own, own): text for own, text in row.items()} for row in rows]
    columns = list(dict.fromkeys(name for row in rows for name in row))
    if not path.is_file() or not path.read_bytes().strip():
        return _lines([columns, *([row.get(c, "") for c in columns] for row in rows)], ",", "\n")
    before = path.read_bytes()
    sheet = read_sheet(path, file=file, layout=layout)
    there = {*sheet.header, "model"} if layout.model else set(sheet.header)
    lacking = [c for c in columns if c not in there and any(row.get(c) for row in rows)]
    if lacking and (sheet.rows or sheet.head > 1):
        raise InputError(
            f"{file} has no column {', '.join(lacking)}", where=f"{file}:1",
            hint="add the column to the header, or omit the value",
        )  # fmt: skip
    encoding, delimiter, end = csv_dialect(before, file, head=sheet.head)
    bare = encoding.removesuffix("-sig")
    header = [*sheet.header, *lacking]
    new = _lines([[row.get(c, "") for c in header] for row in rows], delimiter, end)
    if lacking:  # no row is there yet: the header may grow
        return (_lines([header], delimiter, end) + new).decode().encode(bare)
    gap = "" if before.decode(encoding)[-1:] == "\n" else end
    return before + gap.encode(bare) + new.decode().encode(bare)


def _lines(rows: Sequence[Sequence[str]], delimiter: str, end: str) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, lineterminator=end).writerows(rows)
    return stream.getvalue().encode()
