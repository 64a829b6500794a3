"""Commands before and between the scans: new, show, learn, list-scans, add."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from accstudy.cli.options import quoted, read_levels

__all__ = ["add", "list_scans", "new"]


def _protocols(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Names of protocols that begin with the typed text, for Tab completion."""
    from accstudy.plan.protocol import protocol_names

    return [name for name in protocol_names() if name.startswith(incomplete)]


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--protocol",
    default="full_arch_validation",
    show_default=True,
    shell_complete=_protocols,
    help="full_arch_validation, technique_comparison or monthly_drift.",
)
@click.option("--title", default="", help="Title of the study; the protocol's by default.")
@click.option(
    "--without-reference",
    is_flag=True,
    help="The model has not been measured: precision and differences only, no trueness.",
)
@click.option("--quiet", is_flag=True, help="Print problems only.")
def new(folder: Path, protocol: str, title: str, without_reference: bool, quiet: bool) -> None:
    """Create a study in FOLDER from a protocol, fully commented.

    Nothing is overwritten. Its README.md names the next steps.

    Example: accstudy new my_study --protocol full_arch_validation
    """
    from accstudy.stages.plan import new_study

    written = new_study(folder, protocol=protocol, title=title, referenced=not without_reference)
    if not quiet:
        for path in written:
            click.echo(f"written: {path}")
        click.echo(f"next: read {folder / 'README.md'}, then type")
        click.echo(f"  accstudy check {quoted(folder)}")


@click.command("list-scans")
@click.argument(
    "folder", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="FOLDER"
)
@click.option("--model", default="", help="Model shown in the scans.")
@click.option(
    "--same",
    multiple=True,
    callback=read_levels,
    help='A column with one value for all scans, such as "device=device A"; repeat for each.',
)
@click.option("--write", is_flag=True, help="Append the rows to the scan list of the study.")
def list_scans(folder: Path, model: str, same: dict[str, tuple[str, ...]], write: bool) -> None:
    """Propose rows for the scan list from mesh files in FOLDER.

    The rows are derived from file names and times. FOLDER is a study, or a folder of mesh files in
    one; files already listed are left out. The proposal is a guess: check every row before use.

    Example: accstudy list-scans my_study --same "device=device A" > rows.csv
    """
    from accstudy.stages import plan as planning
    from accstudy.study.toml import read_settings
    from accstudy.tables import csv_bytes

    constant = {name: levels[-1] for name, levels in same.items()}
    proposal = planning.list_scans(folder, model=model, same=constant)
    for note in proposal.notes:
        click.echo(note, err=True)
    if write:
        study = planning.study_of(folder)
        settings = read_settings(study / "study.toml")
        click.echo(f"written: {planning.append_list(study, settings, proposal.scans)}")
        click.echo("check every row before use", err=True)
    else:
        data = csv_bytes("scans", proposal.scans, factors=tuple(proposal.scans.columns))
        click.echo(data, nl=False)


def _values(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> dict[str, str]:
    return {name: levels[-1] for name, levels in read_levels(ctx, param, values).items()}


@click.command()
@click.argument(
    "study", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="STUDY"
)
@click.argument(
    "files", type=click.Path(exists=True, path_type=Path), metavar="SCANS...", nargs=-1,
    required=True,
)  # fmt: skip
@click.option(
    "--session", default="", help="Name of the session; the date of its first scan by default."
)
@click.option("--device", default="", help="Device; the only one in the scan list by default.")
@click.option("--model", default="", help="Model; the only one of the study by default.")
@click.option(
    "--set",
    "values",
    multiple=True,
    callback=_values,
    help='A further column, such as "operator=operator 1"; repeat for each.',
)
@click.option(
    "--expect",
    type=click.IntRange(min=0),
    help="Scans per session; as many as in the last session of the device by default.",
)
@click.option("--quiet", is_flag=True, help="Print problems only.")
def add(
    study: Path,
    files: tuple[Path, ...],
    session: str,
    device: str,
    model: str,
    values: dict[str, str],
    expect: int | None,
    quiet: bool,
) -> None:
    """Add the SCANS of a session to the scan list of STUDY.

    Rows are appended; existing rows are not changed. SCANS are mesh files, or folders that contain
    them; files outside STUDY are copied into it. Every file is read first. Scans not yet made get
    planned rows and a data collection sheet.

    Example: accstudy add our_device --session "week 14" export/week14
    """
    from accstudy.stages.add import add_session

    done = add_session(
        study,
        files,
        session=session,
        device=device,
        model=model,
        values=values,
        expected=expect,
        today=dt.date.today(),
    )
    if quiet:
        return
    click.echo(f"added: {', '.join(done.scans)}")
    if done.planned:
        click.echo(f"scans still to make: {', '.join(done.planned)}")
    for line in (*done.words, *(f"written: {path}" for path in done.written)):
        click.echo(line)


@click.command()
@click.argument("drawing", metavar="MESH|STUDY", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "m", "inch", "um"]),
    default="mm",
    help="Length unit of MESH; for a study, study.toml states it.",
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

    MESH is the CAD geometry. Prints the lines for study.toml and writes an image of it with its
    axis, its flat and the possible positions of the platform. For a STUDY, the geometry is
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
