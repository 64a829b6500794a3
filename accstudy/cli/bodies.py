"""`accstudy show`: what the drawing of a scan body shows of itself."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["show"]


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
