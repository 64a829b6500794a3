"""Findings, paths and progress as a terminal shows them."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from accstudy.errors import Finding

__all__ = ["Progress", "abridged", "quoted"]

_MOST = 3
"""Findings of one kind and column that are shown; a fifth would say no more."""


def abridged(findings: Sequence[Finding]) -> Iterator[str]:
    """Findings as text; of many alike in one column, the first three and how many more."""
    total = Counter(map(_kind, findings))
    done: Counter[tuple[str, ...]] = Counter()
    for finding in findings:
        kind = _kind(finding)
        done[kind] += 1
        few = total[kind] <= _MOST + 1
        if few or done[kind] <= _MOST:
            yield str(finding)
        if not few and done[kind] == _MOST:
            yield (
                f"  and {total[kind] - _MOST} more of this kind; `accstudy check STUDY --csv` "
                "lists them all"
            )


def _kind(finding: Finding) -> tuple[str, ...]:
    """What makes two findings alike: everything but the row and the offending value."""
    file, _, rest = finding.where.partition(":")
    column = rest.rpartition(":")[2]
    return (str(finding.severity), finding.code, file, column, finding.mend)


def quoted(path: Path) -> str:
    """A path as one types it on a command line, whatever the shell."""
    text = str(path)
    return f'"{text}"' if any(c in text for c in " &()'") else text


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
