"""Options that the commands on studies share, and the exit codes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

__all__ = ["DONE", "FAILED", "INPUT_AT_FAULT", "LEFT_OUT", "shared_options"]

DONE, FAILED, INPUT_AT_FAULT, LEFT_OUT = 0, 1, 3, 4


def shared_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that every command on studies has."""
    options = (
        click.option(
            "--jobs",
            type=click.IntRange(min=1),
            default=None,
            help="Processes for measuring scans; by default one a core.",
        ),
        click.option("--quiet", is_flag=True, help="Say only what went wrong."),
        click.option("--strict", is_flag=True, help="Take a scan that cannot be used as an error."),
        click.option(
            "--allow-outside", is_flag=True, help="Let the study name files outside its folder."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command
