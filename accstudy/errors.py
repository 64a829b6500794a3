"""Errors in user input, with hints for correcting them.

Two things live here: the exceptions that stop a command (`AccstudyError` and
its family) and the findings that a command collects (`Finding`). Anything
raised that is not an `AccstudyError` is a bug and keeps its traceback.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding matters."""

    NOTE = "note"
    WARNING = "warning"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the user should know about the input or the result.

    Parameters
    ----------
    severity : Severity
        ``note`` changes nothing, ``warning`` changes how a result is read,
        ``error`` means that the input cannot be used.
    code : str
        Stable short name such as ``unknown-model``; never changes once released.
    what : str
        What is wrong, with the offending value, in one sentence.
    where : str, optional
        ``file``, ``file:row`` or ``file:row:column``; rows count from 1 at the
        header, as a spreadsheet shows them. Paths are relative to the study.
    mend : str, optional
        What the user can do about it.
    """

    severity: Severity
    code: str
    what: str
    where: str = ""
    mend: str = ""

    def __str__(self) -> str:
        lines = [f"{self.severity}[{self.code}]: {self.what}"]
        if self.where:
            lines.append(f"  where: {self.where}")
        if self.mend:
            lines.append("  hint:  " + self.mend.replace("\n", "\n         "))
        return "\n".join(lines)

    def to_dict(self) -> dict[str, str]:
        """Write the finding as plain text values, for JSON and tables."""
        return {name: str(getattr(self, name)) for name in self.__slots__}

    @classmethod
    def from_dict(cls, values: Mapping[str, str]) -> Finding:
        """Read what `to_dict` wrote."""
        return cls(**{**values, "severity": Severity(values["severity"])})  # type: ignore[arg-type]


def gravest_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Sort findings by severity, errors first; equal severities keep their order."""
    rank = {Severity.ERROR: 0, Severity.WARNING: 1, Severity.NOTE: 2}
    return tuple(sorted(findings, key=lambda finding: rank[finding.severity]))


class AccstudyError(Exception):
    """Base of all errors that the user can correct.

    Parameters
    ----------
    message : str
        What is wrong.
    where : str, optional
        The place in the user's file.
    hint : str, optional
        How to mend it.
    """

    code = "accstudy"
    exit_code = 3

    def __init__(self, message: str, *, where: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.where = where
        self.hint = hint

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The faults behind this error, one `Finding` each."""
        return (Finding(Severity.ERROR, self.code, self.message, self.where, self.hint),)

    def __str__(self) -> str:
        return "\n".join(str(finding) for finding in self.findings)


class InputError(AccstudyError):
    """A value or a table that cannot be used."""

    code = "input"


class MeshError(AccstudyError):
    """A mesh file that cannot be read without guessing."""

    code = "mesh"


class ComputationError(AccstudyError):
    """A result that the data given do not determine."""

    code = "undetermined"


class OutputError(AccstudyError):
    """A result that cannot be written."""

    code = "output"
    exit_code = 1


class NotOursError(AccstudyError):
    """A link or a user file in place of a file to be written."""

    code = "not-ours"


class MissingLibraryError(AccstudyError):
    """A system library that this machine lacks."""

    code = "missing-library"
    exit_code = 1


class StudyError(AccstudyError):
    """A study folder with one or more faults, all of them listed.

    Parameters
    ----------
    faults : iterable of Finding
        Everything that is wrong, at least one, the gravest first; warnings may follow.
    """

    code = "study"

    def __init__(self, faults: Iterable[Finding]) -> None:
        self._faults = tuple(faults)
        if not self._faults:
            raise ValueError("a StudyError needs at least one fault")
        first = self._faults[0]
        super().__init__(first.what, where=first.where, hint=first.mend)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every fault of the study, and what else was found."""
        return self._faults


def fault(code: str, what: str, where: str = "", mend: str = "") -> Finding:
    """Make an error finding."""
    return Finding(Severity.ERROR, code, what, where, mend)


def warning(code: str, what: str, where: str = "", mend: str = "") -> Finding:
    """Make a finding that changes how a result is read."""
    return Finding(Severity.WARNING, code, what, where, mend)


def remark(code: str, what: str, where: str = "", mend: str = "") -> Finding:
    """Make a finding that changes nothing."""
    return Finding(Severity.NOTE, code, what, where, mend)


def place(file: str, row: int | None = None, column: str | None = None) -> str:
    """Write a place in a user's file as ``file:row:column``.

    Parameters
    ----------
    file : str
        Path relative to the study folder.
    row : int, optional
        Line as a spreadsheet shows it: the header is row 1.
    column : str, optional
        Column name.

    Examples
    --------
    >>> place("scans.csv", 4, "model")
    'scans.csv:4:model'
    >>> place("scans.csv", column="model")
    'scans.csv::model'
    """
    if column is not None:
        return f"{file}:{'' if row is None else row}:{column}"
    return file if row is None else f"{file}:{row}"


_MOST_COMPARED, _MOST_SHOWN, _MOST_HINTS = 1000, 50, 50
"""Comparing a word takes some 10 us: a long table must not take hours."""


def nearest(word: str, known: Sequence[str]) -> str:
    """Suggest the known word nearest to a misspelt one.

    Parameters
    ----------
    word : str
        What the user wrote.
    known : sequence of str
        What would be understood.

    Returns
    -------
    str
        A hint, never empty.

    Examples
    --------
    >>> nearest("alignement", ["alignment", "datum"])
    'did you mean "alignment"?'
    >>> nearest("q", ["alignment", "datum"])
    'use one of: alignment, datum'
    """
    lowered = {k.lower(): k for k in known[:_MOST_COMPARED]}
    match = get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.6)
    if match:
        return f'did you mean "{lowered[match[0]]}"?'
    more = len(known) - _MOST_SHOWN
    shown = ", ".join(known[:_MOST_SHOWN]) + (f" and {more} more" if more > 0 else "")
    return f"use one of: {shown}"


class Nearest:
    """Suggests known words for the words of a long table: as many times as anybody reads.

    Parameters
    ----------
    known : iterable of str
        What would be understood.
    """

    def __init__(self, known: Iterable[str]) -> None:
        self.known = list(known)
        self._told: dict[str, str] = {}

    def __call__(self, word: str) -> str:
        """Return a hint as of `nearest`; after many different words a short one."""
        if word not in self._told:
            if len(self._told) == _MOST_HINTS:
                return "check the name"
            self._told[word] = nearest(word, self.known)
        return self._told[word]
