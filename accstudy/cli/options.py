"""Options that the commands on studies share, and the exit codes."""

from __future__ import annotations

import functools
import os
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
    "shared_options",
]

DONE, FAILED, INPUT_AT_FAULT, LEFT_OUT, STANDS, INTERRUPTED = 0, 1, 3, 4, 5, 130


@dataclass(frozen=True, slots=True)
class Shared:
    """What every command on studies is told.

    Parameters
    ----------
    jobs : int
        Processes for measuring scans.
    scheduler : str
        Address of a Dask scheduler that measures them instead; empty for none.
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
        shared = Shared(jobs or _cores(), scheduler, quiet, strict, allow_outside)
        return command(*args, shared=shared, **kwargs)

    for option in reversed(_OPTIONS):
        told = option(told)
    return told


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
