"""`--version`: the program's and those of what computes, without loading any of it."""

from __future__ import annotations

import importlib.metadata
import platform

import click

__all__ = ["show_version"]

_COMPUTE = ("numpy", "scipy", "pandas", "statsmodels", "open3d", "open3d-cpu")


def show_version(ctx: click.Context, param: click.Parameter, value: bool) -> None:
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
