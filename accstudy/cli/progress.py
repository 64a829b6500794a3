"""Progress: a bar on a terminal, plain lines elsewhere, nothing when quiet."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any

import click

__all__ = ["Progress"]


class Progress:
    """Shows what a run does.

    Parameters
    ----------
    quiet : bool
        Say nothing.
    """

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._terminal = sys.stderr.isatty()
        self._bar: Any = None

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    def _close(self) -> None:
        if self._bar is not None:
            self._bar.render_finish()
            self._bar = None

    def say(self, line: str) -> None:
        """Print one line."""
        self._close()
        if not self._quiet:
            click.echo(line)

    def show(self, name: str, done: int, total: int) -> None:
        """Show that one of many pieces of work is done."""
        if self._quiet:
            return
        if self._terminal:
            if self._bar is None:
                self._bar = click.progressbar(
                    length=total, label="  measuring", file=sys.stderr, show_pos=True
                )
            self._bar.update(1)
            if done == total:
                self._close()
        elif done == total or done % max(1, total // 20) == 0:
            click.echo(f"  {done}/{total} {name}")
