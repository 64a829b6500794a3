"""Findings and paths as a terminal shows them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from accstudy.errors import Finding

__all__ = ["abridged", "quoted"]

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
