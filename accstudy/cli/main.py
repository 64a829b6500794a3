"""The command group: turns errors into messages and exit codes; commands on bodies, the desk."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import sys
from pathlib import Path
from typing import Any

import click

from accstudy.__main__ import KEPT
from accstudy.cli.commands import ALL
from accstudy.cli.options import DONE, FAILED, INTERRUPTED, abridged
from accstudy.errors import AccstudyError, Severity

__all__ = ["main"]


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


@click.command()
@click.argument(
    "folder", type=click.Path(file_okay=False, path_type=Path), default=None, required=False
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port; a free one by default."
)
@click.option("--no-browser", is_flag=True, help="Print the link and do not open it.")
@click.option(
    "--room",
    is_flag=True,
    help="Let other devices in this network tick off planned scans, with a pass phrase.",
)
@click.option(
    "--shortcut",
    type=click.Path(file_okay=False, path_type=Path),
    is_flag=False,
    flag_value=Path(),
    help="Write files that start the desk by a double click, and exit.",
)
def desk(
    folder: Path | None, port: int, no_browser: bool, room: bool, shortcut: Path | None
) -> None:
    """Open the program in the browser, instead of the terminal.

    Studies in FOLDER are shown, and new ones are created there; "accstudy studies" in the home
    folder by default. Nothing leaves this machine. Needs accstudy[desk].

    Example: accstudy desk our_studies
    """
    from accstudy.errors import MissingLibraryError

    home = folder or Path.home() / "accstudy studies"
    try:
        from accstudy.desk.server import serve, shortcuts
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] == "accstudy":
            raise
        raise MissingLibraryError(
            f"the desk needs {error.name}", hint='install it: pip install "accstudy[desk]"'
        ) from None
    if shortcut is not None:
        for path in shortcuts(shortcut, home):
            click.echo(f"written: {path}")
        return
    serve(home, port=port, room=room, browser=not no_browser, say=click.echo)


_COMPUTE = ("numpy", "scipy", "pandas", "statsmodels", "open3d", "open3d-cpu")


def _show_version(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    """Print versions and end."""
    if not value or ctx.resilient_parsing:
        return
    from accstudy import __version__

    click.echo(f"accstudy {__version__}")
    click.echo(f"python {platform.python_version()}")
    for name in _COMPUTE:
        try:
            click.echo(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            continue
    ctx.exit()


# One thread for linear algebra: scans run in processes of their own, and results then do not
# depend on the number of cores. Set before numpy is loaded; a user's own setting counts.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


class _Group(click.Group):
    """Runs a command and turns errors into messages and exit codes."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)  # in the order in which one uses them

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except AccstudyError as error:
            for line in abridged(error.findings):
                click.echo(line, err=True)
            count = sum(f.severity is Severity.ERROR for f in error.findings)
            if count > 1:
                click.echo(f"{count} errors; nothing was written", err=True)
            ctx.exit(error.exit_code)
        except (click.exceptions.Exit, click.ClickException, click.Abort):
            raise
        except BrokenPipeError:
            ctx.exit(DONE)
        except KeyboardInterrupt:
            click.echo(f"\n{KEPT}", err=True)
            ctx.exit(INTERRUPTED)
        except Exception as error:
            if "--debug" in sys.argv:
                raise
            click.echo(
                f"accstudy failed: {type(error).__name__}: {error}\n"
                "  This is a bug; earlier results are unchanged.\n"
                "  hint:  run the command again with --debug and report the output",
                err=True,
            )
            ctx.exit(FAILED)


@click.group(
    cls=_Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog=(
        "Exit codes: 0 done; 1 internal error; 2 usage error; 3 input error, nothing written; 4 "
        "done, but scans were excluded; 5 done, and a device of a drift study needs action; 130 "
        "interrupted. `accstudy COMMAND --help` shows an example."
    ),
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_version,
    help="Show the versions of the program and its numerical libraries.",
)
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def main(debug: bool) -> None:
    """Accuracy of multi-implant digital impressions from repeated scans of a reference model.

    STUDY is a folder with study.toml, a scan list and the reference. For evaluating measuring
    workflows; not a medical device.

    Example: accstudy run sample_study/validation
    """


for _command in (*ALL[:1], show, learn, *ALL[1:], desk):  # in the order in which one uses them
    main.add_command(_command)
