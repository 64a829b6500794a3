"""Commands: parse, call, show; errors become messages and exit codes. Nothing heavy is imported
before a command runs.
"""

from __future__ import annotations

import importlib.metadata
import os
import platform
import sys
from typing import Any

import click

from accstudy.__main__ import KEPT
from accstudy.cli.commands import ALL
from accstudy.cli.options import DONE, EXIT_CODES, FAILED, INTERRUPTED, abridged
from accstudy.errors import AccstudyError, Severity

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
        "Exit codes:\n\n\b\n"
        + "\n".join(f"{code:>3}  {told}" for code, told in EXIT_CODES.items()).replace("`", "")
        + "\n\n`accstudy COMMAND --help` shows an example."
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


for _command in ALL:
    main.add_command(_command)
