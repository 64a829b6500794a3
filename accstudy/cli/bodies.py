"""`accstudy show` and `accstudy learn`: the drawing of a scan body, or one made from a scan."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["learn", "show"]


@click.command()
@click.argument("drawing", metavar="DRAWING|STUDY", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "m", "inch", "um"]),
    default="mm",
    help="Length unit of DRAWING; study.toml gives it for a study.",
)
@click.option(
    "--pictures",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="Folder for the images; the current folder by default.",
)
def show(drawing: Path, unit: str, folder: Path) -> None:
    """Show axis, flat and top of the CAD geometry of a scan body.

    DRAWING is a mesh file. Prints the lines for study.toml and writes an image of the geometry with
    its axis, its flat and the possible positions of the platform. For a STUDY, the geometry is
    compared with the settings in study.toml.

    Example: accstudy show sample_study/validation
    """
    from accstudy.stages.drawings import show_drawing, show_study

    if drawing.is_dir():
        shown = show_study(drawing, folder)
    else:
        shown = show_drawing(drawing, folder, length_unit=unit)
    for line in shown:
        click.echo(line)


@click.command()
@click.argument("study", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "--scan",
    default="",
    help=(
        "Mesh of the model with its scan bodies, inside STUDY and in the frame of the reference; "
        "reference.surface by default."
    ),
)
@click.option("--model", default="", help="Model shown in the scan; required if there are several.")
@click.option("--body", default="", help="Key of [scan_body.*]; required if there are several.")
def learn(study: Path, scan: str, model: str, body: str) -> None:
    """Derive a scan body from a scan, if there is no CAD geometry.

    The surface around every implant of the reference is extracted, and the copies are aligned to
    each other and averaged. Writes the mean and an image to scan_bodies/ and prints the lines for
    study.toml, with the resulting uncertainty.

    Example: accstudy learn sample_study/validation
    """
    from accstudy.stages.drawings import learn_drawing

    for line in learn_drawing(study, scan=scan, model=model, name=body).lines():
        click.echo(line)
