"""Files that a study names, inside its folder."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from accstudy.errors import InputError

__all__ = ["resolve"]

_LONGEST_PATH, _LONGEST_NAME = 1000, 200


def resolve(root: Path, file: str, *, allow_outside: bool = False) -> Path:
    r"""Find a file that a study names, inside the study folder only.

    Parameters
    ----------
    root : Path
        Study folder.
    file : str
        Relative path as the user wrote it, with ``/`` or ``\\``.
    allow_outside : bool
        Whether it may lie elsewhere.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the path is absolute, climbs out, or a link leads out.
    """
    pure = PurePosixPath(file.replace("\\", "/"))
    if "\0" in file or len(file) > _LONGEST_PATH or any(len(p) > _LONGEST_NAME for p in pure.parts):
        shown = file.replace("\0", "\\0")[:40]
        raise InputError(f'"{shown}..." is no usable file name', hint="give the file a short name")
    full = root / pure
    if allow_outside:
        return full
    windows_drive = len(file) > 1 and file[1] == ":"
    inside = not pure.is_absolute() and ".." not in pure.parts and not windows_drive
    if inside:
        inside = full.resolve().is_relative_to(root.resolve())
    if not inside:
        raise InputError(
            f'"{file}" lies outside the study folder',
            hint="copy it into the study, or call with --allow-outside",
        )
    return full
