"""The drawings of a study, or one by itself, shown to the user."""

from __future__ import annotations

from pathlib import Path

from accstudy.errors import InputError
from accstudy.locate.anatomy import Anatomy, anatomy
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import read_mesh, study_mesh
from accstudy.stages.body import beside_settings, body_words, picture, shown_name
from accstudy.stages.learn import learned_anatomy, learned_words
from accstudy.study.disk import write_files
from accstudy.study.files import Files
from accstudy.study.toml import read_settings

__all__ = ["show_drawing", "show_study"]


def show_drawing(path: Path, folder: Path, *, length_unit: str = "mm") -> list[str]:
    """Look at one drawing.

    Parameters
    ----------
    path : Path
        Mesh file.
    folder : Path
        Gets the picture.
    length_unit : str
        Of the file.

    Returns
    -------
    list of str
        What to print.

    Raises
    ------
    MeshError, InputError
        If it cannot be read.
    """
    mesh = read_mesh(path, length_unit=length_unit, name=path.name)
    found = anatomy(mesh)
    lines = [str(path), *body_words(found, mesh=f"scan_bodies/{path.name}")]
    return [*lines, *_written(mesh, found, path, folder)]


def show_study(path: Path, folder: Path) -> list[str]:
    """Look at every drawing that a study names, and hold study.toml against it.

    Parameters
    ----------
    path : Path
        Study folder.
    folder : Path
        Gets the pictures.

    Returns
    -------
    list of str
        What to print.

    Raises
    ------
    StudyError, MeshError, InputError
        If study.toml or a drawing cannot be read, or it names no drawing.
    """
    files = Files(path)
    settings = read_settings(path / "study.toml", files=files)
    lines: list[str] = []
    for name, body in settings.scan_body.items():
        if not body.mesh:
            continue
        mesh = study_mesh(files, body.mesh, length_unit=body.length_unit)
        lines.append(f"scan_body.{name}: {body.mesh}")
        if body.learned is None:
            found = anatomy(mesh)
            lines += beside_settings(found, body)
            lines += body_words(found, mesh=body.mesh, name=name)
        else:
            found = learned_anatomy(mesh)
            lines += learned_words(found, body.learned)
        lines += [*_written(mesh, found, Path(body.mesh), folder), ""]
    if not lines:
        raise InputError(
            "study.toml names no CAD geometry of a scan body",
            where="study.toml",
            hint="run `accstudy show DRAWING` with the mesh file, and add the lines that it prints",
        )
    return lines


def _written(mesh: Mesh, found: Anatomy, path: Path, folder: Path) -> list[str]:
    name = shown_name(path)
    written = write_files(folder, {name: picture(mesh, found)})
    return ["", *(f"written: {file}" for file in written)]
