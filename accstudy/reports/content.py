"""What a report is made from, and what comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from accstudy.tables import TABLES, UNREFERENCED, shape

__all__ = ["ReportContent", "ReportFiles"]


@dataclass(frozen=True, slots=True)
class ReportContent:
    """Everything a report is made from; no files, no clock.

    Parameters
    ----------
    title : str
        Title of the study.
    settings : mapping
        Settings as used (``Settings.as_used()``).
    tables : mapping of str to DataFrame
        Finished result tables by name, as `accstudy.tables` has them. Absent or
        empty ones leave their section out.
    record : mapping
        The record: ``inputs``, ``outputs`` (name to SHA-256), ``versions``,
        ``accstudy``.
    generated : str
        Date of the data, not of the clock, as YYYY-MM-DD: that of the last scan.
        Empty when no scan is dated.
    issued : str
        Date of issue as YYYY-MM-DD where it is not that of the settings.
    who : str
        Who ran it; may be empty.
    pictures : mapping of str to bytes
        Ray-cast views as PNG by name: ``located``, ``surface-trueness``,
        ``surface-precision``.
    picture_notes : mapping of str to str
        What each picture shows, with its numbers: caption and alternative text.
    files : mapping of str to bytes
        Tables as they stand in their files, by name; those that are not given are written
        anew for the attachments.
    """

    title: str
    settings: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame]
    record: Mapping[str, Any]
    generated: str
    issued: str = ""
    who: str = ""
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    picture_notes: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def referenced(self) -> bool:
        """Whether there is a reference, so that trueness can be spoken of."""
        return str(self.settings.get("reference", {}).get("kind", "")) != "none"

    def table(self, name: str) -> pd.DataFrame:
        """A table, or what stands in its place without a reference; empty if there is none."""
        found = self.tables.get(name)
        if found is None and not self.referenced and name in UNREFERENCED:
            found = self.tables.get(UNREFERENCED[name])
            if found is not None:  # what only a reference could tell is empty
                own = TABLES[name].names
                extra = tuple(c for c in found.columns if c not in own)
                found = shape(name, found, factors=extra)
        return pd.DataFrame() if found is None else found

    def has(self, name: str) -> bool:
        """Whether a table has rows."""
        return len(self.table(name)) > 0


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """A finished report.

    Parameters
    ----------
    pdf : bytes
        The report.
    figures : dict of str to bytes
        Its figures by file name: SVG, and PNG where asked for.
    data : dict
        The blocks of the report, as the template got them.
    """

    pdf: bytes
    figures: dict[str, bytes]
    data: dict[str, Any]
