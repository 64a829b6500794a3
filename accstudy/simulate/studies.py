"""Invented studies with known truth, written as whole study folders."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from accstudy.errors import InputError, nearest
from accstudy.simulate.comparison import comparison_files
from accstudy.simulate.drift import drift_files
from accstudy.simulate.files import check_target, write_folder
from accstudy.simulate.validation import validation_files

__all__ = ["KINDS", "SAMPLE_SEEDS", "simulate_study", "write_samples"]

KINDS: dict[str, Callable[[int], dict[str, bytes]]] = {
    "validation": validation_files,
    "comparison": comparison_files,
    "drift": drift_files,
}
"""What makes the files of each kind of study."""

SAMPLE_SEEDS = {"validation": 1, "comparison": 2, "drift": 3}
"""Seeds of the studies that come with the project."""


def simulate_study(kind: str, folder: Path, *, seed: int = 1) -> Path:
    """Write an invented study with known truth.

    Parameters
    ----------
    kind : {"validation", "comparison", "drift"}
        Meshes of a 6-implant model; positions of three techniques on four
        models; positions of three devices over 18 months.
    folder : Path
        Where; not there yet, or empty.
    seed : int
        Another seed, another study; the same seed, the same bytes.

    Returns
    -------
    Path
        The folder. Its ``truth/`` holds what was put in.

    Raises
    ------
    InputError
        If the kind is unknown or the folder holds files.
    """
    if kind not in KINDS:
        raise InputError(f'no kind of study "{kind}"', hint=nearest(kind, list(KINDS)))
    check_target(folder)  # before the work
    return write_folder(folder, KINDS[kind](seed))


def write_samples(folder: Path) -> list[Path]:
    """Write the studies that come with the project anew, byte for byte.

    Parameters
    ----------
    folder : Path
        Where the three studies are; their results and reports stay.

    Returns
    -------
    list of Path
        The study folders.

    Raises
    ------
    InputError
        If a folder holds files of another origin.
    """
    return [
        write_folder(folder / kind, make(SAMPLE_SEEDS[kind]), replace=True)
        for kind, make in KINDS.items()
    ]
