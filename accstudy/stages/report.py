"""Finished tables to the PDF and its figures."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from accstudy.study.load import Study
from accstudy.study.record import file_digest, json_bytes
from accstudy.tables import shape

__all__ = ["make_report", "report_state", "reported"]


def make_report(
    study: Study,
    tables: dict[str, pd.DataFrame],
    record: dict[str, Any],
    *,
    figures: bool = False,
    page: bool = False,
    allow_outside: bool = False,
    who: str = "",
    issued: str = "",
    kept: Path | None = None,
    files: Mapping[str, bytes] | None = None,
) -> dict[str, bytes]:
    """Make the report of a study.

    Parameters
    ----------
    study : Study
        The study.
    tables : dict
        Result tables as they stand in the files.
    record : dict
        The record of the run.
    figures : bool
        Whether the figures come as files, too.
    page : bool
        Whether a page to explore comes with it.
    allow_outside : bool
        Whether files may lie outside the study folder.
    who : str
        Who runs it; may be empty.
    issued : str
        Date of issue as YYYY-MM-DD, where it is not that of study.toml.
    kept : Path, optional
        Folder for what need not be drawn again; it may be deleted at any time.
    files : mapping of str to bytes, optional
        Result tables as they stand in their files.

    Returns
    -------
    dict
        File name, relative to the reports folder, to content.
    """
    from accstudy.reports.content import ReportContent
    from accstudy.reports.render import render_report
    from accstudy.stages.pictures import report_pictures

    pictures = report_pictures(
        study,
        tables,
        parts=record.get("scans", {}),
        kept=kept / "located.json" if kept else None,
        allow_outside=allow_outside,
    )
    settings = study.settings
    kind = settings.study.kind
    content = ReportContent(
        title=settings.study.title,
        settings=_settings_as_used(study, tables),
        tables={
            **tables,
            "scans": shape("scans", study.scans, factors=study.factors),
            "implants": shape("implants", study.implants),
            "events": shape("events", study.events),
        },
        record=record,
        generated=_last_day(study),
        issued=issued,
        who=who,
        pictures=pictures.png,
        picture_notes=pictures.notes,
        files=files or {},
    )
    made = render_report(kind, content, png=figures)
    out = {f"{kind}.pdf": made.pdf}
    if page:
        from accstudy.stages.page import make_page

        said = made.data["description"]
        out[f"{kind}.html"] = make_page(study, tables, said, allow_outside=allow_outside)
    if figures:
        out |= {f"figures/{name}": data for name, data in made.figures.items()}
    return out


def _settings_as_used(study: Study, tables: dict[str, pd.DataFrame]) -> dict[str, Any]:
    """Settings with all models that were fitted, also those that study.toml does not name."""
    settings = study.settings.as_used()
    if "model_terms" in tables:
        from accstudy.stages.modelling import model_specs

        specs = model_specs(study, tables["pair_deviations"])
        settings["model"] = [asdict(spec) for spec in specs]
    return settings


def _last_day(study: Study) -> str:
    """Day of the last scan, which dates the report; empty when none is dated."""
    if "measured_at" not in study.scans:
        return ""
    last = pd.to_datetime(study.scans["measured_at"]).max()
    return "" if pd.isna(last) else str(last.date().isoformat())


def reported(state: bytes, kind: str) -> set[str]:
    """Files of the reports folder that are the tool's.

    Parameters
    ----------
    state : bytes
        As `report_state` wrote it after the last report; empty when there is none.
    kind : str
        Of the study, after which the report itself is named.
    """
    always = {f"{kind}.pdf", f"{kind}.html"}
    try:
        return always | set(json.loads(state)["files"])
    except (ValueError, KeyError, TypeError):
        return always


def report_state(key: str, target: Path, names: Iterable[str]) -> bytes:
    """What a report was made from and what its files are; kept to see that it is up to date."""
    files = {name: file_digest(target / name) for name in names if (target / name).is_file()}
    return json_bytes({"key": key, "files": files})
