"""`accstudy show` and `accstudy learn`: the drawing of a scan body, or one made from a scan."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["learn", "show"]


@click.command()
@click.argument("drawing", metavar="DRAWING|STUDY", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "m", "inch"]),
    default="mm",
    help="Unit of DRAWING; of a study's drawings, study.toml says it.",
)
@click.option(
    "--pictures",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="Folder for the pictures; the current one by default.",
)
def show(drawing: Path, unit: str, folder: Path) -> None:
    """Show axis, flat and top of a scan body's drawing.

    Prints the lines for study.toml and writes a picture of every drawing with its axis,
    its flat and the places at which the platform may be. Of a STUDY, its drawings are
    held against what study.toml says of them.

    Example: accstudy show sample_study/validation
    """
    from accstudy.stages.show import show_drawing, show_study

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
    help="Mesh of the model with its bodies, in STUDY and in the frame of the reference; "
    "reference.surface by default.",
)
@click.option("--model", default="", help="Model that it shows, where there are several.")
@click.option("--body", default="", help="Key of [scan_body.*], where there are several.")
def learn(study: Path, scan: str, model: str, body: str) -> None:
    """Learn a scan body from a scan, if there is no drawing.

    The surface around every implant of the reference is cut out, the copies are brought onto each
    other and averaged. Writes the mean and a picture into scan_bodies/ and prints the lines for
    study.toml, with the uncertainty that follows.

    Example: accstudy learn sample_study/validation
    """
    from accstudy.stages.learn import learn_drawing

    for line in learn_drawing(study, scan=scan, model=model, name=body):
        click.echo(line)
