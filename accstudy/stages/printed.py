"""Names that the typeface of the reports cannot print, found before a report is made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pandas as pd

from accstudy.errors import Finding, place, warning
from accstudy.study.load import Study
from accstudy.study.settings import Settings
from accstudy.words.catalogue import say

_LATIN = 0x180
"""All characters below are in the typeface, so that it need not be opened."""

_NOT_PRINTED = ("file", "excluded", "condition", "cell")


def unprintable_texts(study: Study) -> tuple[Finding, ...]:
    """Warn, once a setting or column, of characters that reports show as question marks."""
    settings = study.settings
    tables = (
        (settings.scans.list, study.scans),
        (settings.reference.implants, study.implants[["model", "implant"]]),
        (settings.drift.events, study.events),
    )
    found = []
    for where, texts in _texts(settings, tables):
        odd = [t for t in texts if any(ord(c) >= _LATIN for c in t)]
        first = next(((t, missing) for t in odd if (missing := _lacking(t))), None)
        if first is not None:
            what = say("findings.cannot_be_printed", text=first[0], missing=" ".join(first[1]))
            found.append(warning("not-printable", what, where, say("findings.use_other_letters")))
    return tuple(found)


def _lacking(text: str) -> str:
    from accstudy.figures.style import lacking  # loads matplotlib

    return lacking(text)


def _texts(
    settings: Settings, tables: Iterable[tuple[str, pd.DataFrame]]
) -> Iterator[tuple[str, list[str]]]:
    """Texts of a study, with their place."""
    for key, value in settings.study:
        yield place("study.toml", column=f"study.{key}"), [value] if isinstance(value, str) else []
    for key, limit in settings.limits:
        source = getattr(limit, "source", "")
        yield place("study.toml", column=f"limits.{key}"), [source]
    for file, rows in tables:
        for name in rows.columns:
            values = rows[name].dropna().unique() if name not in _NOT_PRINTED else ()
            yield place(file, column=str(name)), [v for v in values if isinstance(v, str)]
