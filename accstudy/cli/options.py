"""Options that the commands on studies share, and the exit codes."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import click

__all__ = [
    "DONE",
    "FAILED",
    "INPUT_AT_FAULT",
    "INTERRUPTED",
    "LEFT_OUT",
    "STANDS",
    "Shared",
    "figure_options",
    "shared_options",
]

FORMS = ("pdf", "svg", "png", "tiff")
"""As of `accstudy.figures.style.FORMATS`, which is not imported for help texts."""

DONE, FAILED, INPUT_AT_FAULT, LEFT_OUT, STANDS, INTERRUPTED = 0, 1, 3, 4, 5, 130


@dataclass(frozen=True, slots=True)
class Shared:
    """What every command on studies is told.

    Parameters
    ----------
    jobs : int
        Processes for measuring scans.
    scheduler : str
        Address of a Dask scheduler that measures the scans instead; empty for none.
    quiet, strict, allow_outside : bool
        As their help texts say.
    """

    jobs: int
    scheduler: str
    quiet: bool
    strict: bool
    allow_outside: bool


def _address(ctx: click.Context, option: click.Parameter, value: str) -> str:
    if value:
        from accstudy.stages.cluster import check_address

        check_address(value)
    return value


_OPTIONS = (
    click.option(
        "--jobs",
        type=click.IntRange(min=1),
        default=None,
        help="Parallel processes; one per core by default.",
    ),
    click.option(
        "--scheduler",
        metavar="TCP://HOST:PORT",
        default="",
        callback=_address,
        help="Measure on the Dask cluster at this address; needs accstudy[cluster].",
    ),
    click.option("--quiet", is_flag=True, help="Print problems only."),
    click.option("--strict", is_flag=True, help="Treat unusable scans as errors."),
    click.option("--allow-outside", is_flag=True, help="Allow files outside the study folder."),
)


def shared_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that every command on studies has; it gets them as ``shared``."""

    @functools.wraps(command)
    def told(
        *args: Any,
        jobs: int | None,
        scheduler: str,
        quiet: bool,
        strict: bool,
        allow_outside: bool,
        **kwargs: Any,
    ) -> Any:
        from accstudy.stages.workers import cores

        shared = Shared(jobs or cores(), scheduler, quiet, strict, allow_outside)
        return command(*args, shared=shared, **kwargs)

    for option in reversed(_OPTIONS):
        told = option(told)
    return told


def _forms(ctx: click.Context, param: click.Parameter, value: str) -> str:
    """Figure formats, separated by commas."""
    parts = [part.strip().lower() for part in value.split(",") if part.strip()]
    wrong = [part for part in parts if part not in FORMS]
    if wrong:
        raise click.BadParameter(
            f'"{wrong[0]}" is not a figure format; use {", ".join(FORMS)}, or put --figures last',
            ctx,
            param,
        )
    return ",".join(form for form in FORMS if form in parts)


def figure_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of commands that write figures."""
    figures = click.option(
        "--figures",
        callback=_forms,
        is_flag=False,
        flag_value="svg,png",
        default="",
        metavar="FORMS",
        help=f"Also write every figure as {', '.join(FORMS)}; default svg,png.",
    )
    dpi = click.option(
        "--dpi",
        type=click.IntRange(72, 1200),
        default=300,
        show_default=True,
        help="Resolution of PNG and TIFF figures, dots per inch.",
    )
    return figures(dpi(command))
