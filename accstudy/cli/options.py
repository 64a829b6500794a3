"""Options that commands share, exit codes, and findings and progress as a terminal shows them."""

from __future__ import annotations

import datetime as dt
import functools
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from accstudy.errors import Finding

FORMS = ("pdf", "svg", "png", "tiff")
"""As of `accstudy.figures.style.FORMATS`, which is not imported for help texts."""

DONE, FAILED, INPUT_AT_FAULT, LEFT_OUT, STANDS, INTERRUPTED = 0, 1, 3, 4, 5, 130

EXIT_CODES = {
    DONE: "done; `audit`: nothing differs; `selftest`: passed",
    FAILED: "internal error; `selftest`: a result differs",
    2: "usage error",
    INPUT_AT_FAULT: "input error, nothing written; `audit`: something differs from the record",
    LEFT_OUT: "done, but scans were excluded",
    STANDS: "done; a device needs action: a signal persists, or its limit is not verified",
    INTERRUPTED: "interrupted",
}
"""What the codes mean, of all commands where none is named."""


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
        from accstudy.stages.workers import check_address

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


def read_levels(
    ctx: click.Context, param: click.Parameter, values: tuple[str, ...]
) -> dict[str, tuple[str, ...]]:
    """Levels of factors, each written as "technique=splinted"."""
    out: dict[str, tuple[str, ...]] = {}
    for value in values:
        name, equals, level = (part.strip() for part in value.partition("="))
        if not (name and equals and level):
            raise click.BadParameter('write it as "technique=splinted"')
        out[name] = (*out.get(name, ()), level)
    return out


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


def _iso(ctx: click.Context, param: click.Parameter, value: dt.datetime | None) -> str:
    return value.date().isoformat() if value else ""


_PRINTED = (
    click.option(
        "--figures",
        callback=_forms,
        is_flag=False,
        flag_value="svg,png",
        default="",
        metavar="FORMATS",
        help=f"Also write every figure as {', '.join(FORMS)}, separated by commas; "
        "svg,png if none is named.",
    ),
    click.option(
        "--dpi",
        type=click.IntRange(72, 1200),
        default=300,
        show_default=True,
        help="Resolution of PNG and TIFF figures, dots per inch.",
    ),
    click.option("--page", is_flag=True, help="Also write one HTML page to explore the study."),
    click.option(
        "--by", "who", default="", help="Person who runs the analysis, for report and history."
    ),
    click.option(
        "--issued",
        type=click.DateTime(["%Y-%m-%d"]),
        callback=_iso,
        help="Date of issue; study.issued_on by default.",
    ),
)


def report_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of commands that make a report; it gets them as `run_study` takes them."""
    for option in reversed(_PRINTED):
        command = option(command)
    return command


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
    """What makes two findings alike: everything but the scan file, row and offending value."""
    file, _, rest = finding.where.partition(":")
    column = rest.rpartition(":")[2]
    file = file if rest else file.rpartition("/")[0] or file
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
