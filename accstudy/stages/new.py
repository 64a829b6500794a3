"""A new study folder from a protocol."""

from __future__ import annotations

from pathlib import Path

from accstudy.errors import InputError, OutputError
from accstudy.plan.protocol import load_protocol
from accstudy.plan.readme import readme_text
from accstudy.plan.template import (
    events_text,
    implants_text,
    scan_columns,
    study_text,
)

__all__ = ["FOLDERS", "new_study"]

FOLDERS = ("reference", "scan_bodies", "scans")
"""Folders that wait for the user's files."""


def new_study(
    folder: Path, *, protocol: str, title: str = "", referenced: bool = True
) -> list[Path]:
    """Write a study folder from a protocol; nothing is ever overwritten.

    Parameters
    ----------
    folder : Path
        Where; may be there already, with scans in it for instance.
    protocol : str
        Name of a protocol that comes with the program.
    title : str, optional
        Title of the study; the protocol's by default.
    referenced : bool
        Whether the model is measured, so that there is a reference.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If there is no such protocol, or a file to be written already exists.
    OutputError
        If the folder cannot be written.
    """
    chosen = load_protocol(protocol)
    files = {
        "README.md": readme_text(chosen, title=title, referenced=referenced),
        "study.toml": study_text(chosen, title=title, referenced=referenced),
        "scans.csv": ",".join(scan_columns(chosen)) + "\n",
    }
    if referenced:
        files["reference/implants.csv"] = implants_text()
    if chosen.kind == "drift":
        files["events.csv"] = events_text()
    if folder.exists() and not folder.is_dir():
        raise InputError(f'"{folder}" is a file', hint="name a folder")
    there = [name for name in files if (folder / name).exists()]
    if there:
        raise InputError(
            f'folder "{folder}" already has a {there[0]}; nothing was written',
            hint="name another folder, or move the file away",
        )
    try:
        for name in FOLDERS:
            (folder / name).mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            with (folder / name).open("x", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
    except OSError as error:
        raise OutputError(
            f"the study folder cannot be written: {error.strerror}",
            where=str(folder),
            hint="change its permissions, or name another folder",
        ) from error
    return [folder / name for name in files]
